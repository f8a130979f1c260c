"""A device's clock and its link, simulated: true host times are known to the nanosecond.

Comes in: a random generator. Goes out: what a recording would keep (the least delayed frame of
each quarter second, answers to TIME) and the truth. Latency: a base, exponential jitter,
bursts; the clock drifts and wanders as it warms.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from logger.timebase import Exchanges, TimeFit, fit_envelope

WRAP_US = 2**32


@dataclass(frozen=True, slots=True)
class Link:
    """How a cell is reached, and what its clock does.

    ``base_s`` of latency on the way to the host and ``base_back_s`` on the way to the device;
    ``jitter_s`` mean of an exponential; a fraction ``bursty`` of the time lies in bursts of
    about 8 s with up to ``burst_s`` more. ``wander_ppm`` is the amplitude of a slow swing of the
    rate with the period ``wander_s``, beside ``warming_ppm`` that dies away over minutes.
    """

    span_s: float = 600.0
    frame_s: float = 0.016
    base_s: float = 0.002
    base_back_s: float = 0.001
    jitter_s: float = 0.003
    bursty: float = 0.1
    burst_s: float = 0.15
    drift_ppm: float = 20.0
    wander_ppm: float = 2.0
    wander_s: float = 900.0
    warming_ppm: float = 3.0
    every_s: float = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """What is kept of one run, and the truth at each kept frame."""

    tick_us: NDArray[np.int64]
    received_ns: NDArray[np.int64]
    exchanges: Exchanges
    true_ns: NDArray[np.int64]

    def fit(self) -> TimeFit:
        """Fit as a reader of the logbook does."""
        return fit_envelope(self.tick_us, self.received_ns, self.exchanges)

    def silent(self) -> Run:
        """The same run of a device that does not answer TIME."""
        none = np.empty(0, dtype=np.int64)
        return replace(self, exchanges=Exchanges(none, none, none))


def any_link(rng: np.random.Generator) -> Link:
    """Draw a link: from a cable to a bad radio, from seconds to half an hour."""
    return Link(
        span_s=float(np.exp(rng.uniform(np.log(5.0), np.log(1800.0)))),
        frame_s=float(rng.choice([0.004, 0.016, 0.05])),
        base_s=float(rng.uniform(0.0, 0.04)),
        base_back_s=float(rng.uniform(0.0, 0.04)),
        jitter_s=float(np.exp(rng.uniform(np.log(1e-4), np.log(2e-2)))),
        bursty=float(rng.choice([0.0, 0.05, 0.4])),
        burst_s=float(rng.uniform(0.0, 0.4)),
        drift_ppm=float(rng.uniform(-90.0, 90.0)),
        wander_ppm=float(rng.uniform(0.0, 3.0)),
        wander_s=float(rng.uniform(300.0, 3600.0)),
        warming_ppm=float(rng.uniform(-4.0, 4.0)),
    )


def simulate(link: Link, rng: np.random.Generator) -> Run:
    """Run a cell on a link."""
    n_quarters = max(1, int(link.span_s / 0.25))
    per_quarter = max(1, round(0.25 / link.frame_s))
    run_s = np.sort(0.25 * (np.arange(n_quarters) + rng.random(n_quarters)))
    first_us = int(rng.integers(0, WRAP_US))
    boot_ns = int(rng.integers(10**9, 10**15))
    phase = float(rng.uniform(0, 2 * np.pi))

    def true_ns(at_s: NDArray[np.float64]) -> NDArray[np.int64]:
        swing = link.wander_s / (2 * np.pi)
        drift_us = link.drift_ppm * at_s
        drift_us += link.wander_ppm * swing * (np.sin(at_s / swing + phase) - np.sin(phase))
        drift_us += link.warming_ppm * 240.0 * (1 - np.exp(-at_s / 240.0))
        truth: NDArray[np.int64] = boot_ns + np.rint(at_s * 1e9 + drift_us * 1e3).astype(np.int64)
        return truth

    bursts = rng.random(int(link.span_s / 8.0) + 2) < link.bursty

    def late_s(at_s: NDArray[np.float64], best_of: int) -> NDArray[np.float64]:
        """Lateness of the best of so many: the least of exponentials is one, of uniforms a beta."""
        late = rng.exponential(link.jitter_s / best_of, len(at_s))
        extra_s = link.burst_s * (0.3 + 0.7 * rng.beta(1, best_of, len(at_s)))
        late += np.where(bursts[(at_s / 8.0).astype(int)], extra_s, 0.0)
        return late

    truth = true_ns(run_s)
    received = truth + np.rint((link.base_s + late_s(run_s, per_quarter)) * 1e9).astype(np.int64)
    tick_us = first_us + np.rint(run_s * 1e6).astype(np.int64)
    asked_s = np.concatenate(
        [np.arange(4) * 0.55, np.arange(2.0 + link.every_s, link.span_s, link.every_s)]
    )
    asked_s = asked_s[asked_s < link.span_s]
    there = true_ns(asked_s)
    sent = there - np.rint((link.base_back_s + late_s(asked_s, 1)) * 1e9).astype(np.int64)
    came = there + np.rint((link.base_s + late_s(asked_s, 1)) * 1e9).astype(np.int64)
    exchanges = Exchanges(first_us + np.floor(asked_s * 1e6).astype(np.int64), sent, came)
    return Run(tick_us, received, exchanges, truth)
