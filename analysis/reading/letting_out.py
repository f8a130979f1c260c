"""Rope let out under load, as both motions of a hung piece have it; what both step alike.

Comes in: how long ago it began, tensions. Goes out: rope per step. Must not: know a rig.

Notes
-----
Speed grows evenly over a ramp and then stays, but for what the tension of the fall makes of
it: a hand on a brake lets a tighter rope run faster. Compiled, see ``compiled.py``.
"""

from __future__ import annotations

import math
from typing import Final

from analysis.reading.compiled import LANES, inner

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
PAID, _START, _SPEED, _RAMP, _GIVE, _USUAL, OWN = range(0, 7 * LANES, LANES)
"""Where a lane's rope paid out and its letting out lie; from ``OWN`` on, what a motion has."""
_SLOWEST: Final = 0.3


@inner
def let_out(since, ramp, give, tension, usual):  # type: ignore[no-untyped-def]
    """Give the speed as a share of the one it gets to; 0 before it begins."""
    share = min(since / ramp, 1.0) * max(1.0 + give * (tension / usual - 1.0), _SLOWEST)
    return share if since > 0.0 else 0.0


@inner
def begin_letting_out(s, k, row, unit_m):  # type: ignore[no-untyped-def]
    """Put a row's letting out into its lane, lengths in ``unit_m``."""
    s[_START + k], s[_SPEED + k] = row[START], math.exp(row[START + 1]) * STEP_S / unit_m
    s[_RAMP + k], s[_GIVE + k] = math.exp(row[START + 2]), row[START + 3]
    s[_USUAL + k] = s[PAID + k] = 0.0


@inner
def pay_out(s, lanes, now, fall):  # type: ignore[no-untyped-def]
    """Add what is let out in a step; the tensions of the falls lie at ``fall``."""
    for k in range(lanes):
        since, held, usual = now - s[_START + k], s[fall + k], s[_USUAL + k]
        begins = since > 0.0 and usual == 0.0
        usual = max(held, LEAST_TENSION) if begins else usual
        s[_USUAL + k] = usual
        s[PAID + k] += s[_SPEED + k] * let_out(since, s[_RAMP + k], s[_GIVE + k], held, usual)


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
