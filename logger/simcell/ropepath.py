"""One rope through a block on the stem and, in a span rig, a block on the piece.

Comes in: where the rope's ends are and how fast they part, step by step. Goes out: the
tension of every leg. Must not: know what hangs on it or what time it is.

The rope stiffens as it stretches and is viscous; sheaves hold back a part of the load
that depends on the load itself, and stick in between. None of this is in the predictor.
"""

from __future__ import annotations

from dataclasses import dataclass

MAX_ITERATIONS = 30
TOLERANCE = 1e-6
FIRST_STRAIN = 0.003  # below it a rope only straightens and its viscosity does not bite


@dataclass(frozen=True, slots=True)
class RopeCurve:
    """Tension against strain: ``T = EA (ε + stiffening ε²) + EA viscosity dε/dt``.

    Parameters
    ----------
    stiffness_n : float
        EA at small strain, newtons.
    stiffening : float
        Dimensionless; 0 is a linear rope.
    viscosity_s : float
        Seconds; 0 is a rope without loss.
    """

    stiffness_n: float
    stiffening: float = 0.0
    viscosity_s: float = 0.0

    def strain(self, tension_n: float) -> float:
        """Strain at rest under a tension.

        Examples
        --------
        >>> RopeCurve(50_000.0).strain(500.0)
        0.01
        """
        ratio = tension_n / self.stiffness_n
        if self.stiffening == 0.0:
            return ratio
        root: float = (1.0 + 4.0 * self.stiffening * ratio) ** 0.5
        return (root - 1.0) / (2.0 * self.stiffening)


@dataclass(frozen=True, slots=True)
class Sheave:
    """Low over high tension of a block; it runs easier under load.

    Parameters
    ----------
    efficiency, light_efficiency : float
        Under a heavy load and under none.
    scale_n : float
        Tension over which the one goes into the other, newtons.
    """

    efficiency: float = 1.0
    light_efficiency: float = 1.0
    scale_n: float = 1000.0

    def at(self, tension_n: float) -> float:
        """Efficiency under a tension.

        Examples
        --------
        >>> Sheave(0.9, 0.8, 1000.0).at(0.0)
        0.8
        """
        if self.efficiency == self.light_efficiency:
            return self.efficiency
        easing = 1.0 / (1.0 + tension_n / self.scale_n)
        return self.efficiency - (self.efficiency - self.light_efficiency) * easing


class Leg:
    """A stretch of rope between two contacts: path length, natural length, tension.

    ``rate_m_per_s`` is how fast the stretch grows (path minus natural length).
    """

    __slots__ = (
        "_ea",
        "_grip",
        "_stiffening",
        "_viscosity_s",
        "natural_m",
        "path_m",
        "rate_m_per_s",
    )

    def __init__(self, curve: RopeCurve, path_m: float, tension_n: float = 0.0) -> None:
        self._ea = curve.stiffness_n
        self._stiffening = curve.stiffening
        self._viscosity_s = curve.viscosity_s
        self.path_m = path_m
        self.natural_m = path_m / (1.0 + curve.strain(tension_n))
        self.begin_step()

    def begin_step(self) -> None:
        """Let the stretch reached so far decide how much of the viscosity bites."""
        strain = max(0.0, self.path_m / self.natural_m - 1.0)
        self._grip = self._viscosity_s * strain / (strain + FIRST_STRAIN)
        self.rate_m_per_s = 0.0

    def tension_and_slope(self, step_s: float) -> tuple[float, float]:
        """Tension, and how much it grows for each metre of rope taken out in this step."""
        natural = self.natural_m
        strain = self.path_m / natural - 1.0
        if strain <= 0.0:
            return 0.0, self._ea / natural
        grip = self._grip
        stiffening = self._stiffening * strain
        pull = strain * (1.0 + stiffening) + grip * self.rate_m_per_s / natural
        slope = (1.0 + 2.0 * stiffening) * (1.0 + strain) + grip / step_s
        return (self._ea * pull if pull > 0.0 else 0.0), self._ea * slope / natural

    def tension_n(self, step_s: float) -> float:
        """Tension now, newtons."""
        return self.tension_and_slope(step_s)[0]

    def feed(self, rope_m: float, step_s: float) -> None:
        """Put rope into this leg within the step."""
        self.natural_m += rope_m
        self.rate_m_per_s -= rope_m / step_s


def run_over(first: Leg, second: Leg, sheave: Sheave, step_s: float) -> None:
    """Let rope run over a sheave until neither side overcomes its friction.

    Rope moves from the slacker leg into the tighter one while
    low < efficiency × high; in between the sheave sticks.
    """
    high, high_slope = first.tension_and_slope(step_s)
    low, low_slope = second.tension_and_slope(step_s)
    if low > high:
        first, second = second, first
        high, high_slope, low, low_slope = low, low_slope, high, high_slope
    efficiency = sheave.at(high)
    excess = efficiency * high - low
    if excess < 0.0:
        return
    for _ in range(MAX_ITERATIONS):
        if abs(excess) < TOLERANCE * (1.0 + high):
            return
        rope_m = excess / (efficiency * high_slope + low_slope)
        first.feed(rope_m, step_s)
        second.feed(-rope_m, step_s)
        high, high_slope = first.tension_and_slope(step_s)
        low, low_slope = second.tension_and_slope(step_s)
        excess = efficiency * high - low


def pay_out(leg: Leg, holding_n: float, step_s: float) -> None:
    """Let the device give rope until the leg pulls no more than it can hold."""
    for iteration in range(MAX_ITERATIONS):
        tension, slope = leg.tension_and_slope(step_s)
        excess = tension - holding_n
        if abs(excess) < TOLERANCE * (1.0 + holding_n) or (excess < 0.0 and iteration == 0):
            return
        leg.feed(excess / slope, step_s)
