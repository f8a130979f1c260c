"""Rope let out under load, as both motions of a hung piece have it; what both step alike.

Comes in: how long ago it began, tensions. Goes out: rope per step. Must not: know a rig.

Notes
-----
Speed grows evenly over a ramp and then stays, but for what the tension of the fall makes of
it: a hand on a brake lets a tighter rope run faster. Compiled, see ``compiled.py``.
"""

from __future__ import annotations

from typing import Final

from analysis.reading.compiled import inner

STEP_S: Final = 0.01
START: Final = -4
"""Place in a row of unknowns from which four describe the letting out: when it begins (s
after the first value, inf: never), ln of its speed (m/s) and of the time in which it gets to it
(s), and by how much more tension than at the begin makes it faster (1: in proportion)."""
LEAST_TENSION: Final = 0.2
"""Tension (W) that counts as usual at least."""
LEAST_ETA: Final = 0.5
MOST_ETA: Final = 0.995
"""Between these a sheave's efficiency is looked for."""
_SLOWEST: Final = 0.3


@inner
def let_out(since, ramp, give, tension, usual):  # type: ignore[no-untyped-def]
    """Give the speed as a share of the one it gets to; 0 before it begins."""
    share = min(since / ramp, 1.0) * max(1.0 + give * (tension / usual - 1.0), _SLOWEST)
    return share if since > 0.0 else 0.0


@inner
def slip(lead, held, a, b, eta):  # type: ignore[no-untyped-def]
    """Give the rope that passes a sheave onto the lead, until friction holds it again.

    Parameters
    ----------
    lead, held : float
        Tensions before; below 0 a leg is slack, by what it lacks until it is taut.
    a, b : float
        What a unit of rope takes from the lead, gives to the other leg.
    eta : float
        Efficiency: the lesser tension over the greater, while it slips.

    Notes
    -----
    A taut leg beside a slack one gives up rope until the other is taut too, or it is slack itself.
    """
    onto = eta * max(lead, 0.0) - max(held, 0.0) > 0.0
    off = eta * max(held, 0.0) - max(lead, 0.0) > 0.0
    gains = min((eta * lead - held) / (b + eta * a), lead / a)
    loses = min((eta * held - lead) / (eta * b + a), held / b)
    return (gains if onto else 0.0) - (loses if off else 0.0)
