"""What each method of lowering brings to the rope, from drawn inputs.

Comes in: a :class:`Case`, one piece with its uncertain inputs drawn. Goes out: a
:class:`Peak`, the load at the piece for every draw. Must not: know about stations.

Notes
-----
For a piece tied on one rope the load is the tension of the lead, in a span rig the
vertical load on the piece's block; where it is simulated, all that the rope does to the
piece.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from analysis.predicting.drawn import Case, Peak
from analysis.predicting.methods_drop import let_run, snubbed
from analysis.predicting.methods_release import span, suspended, swing
from logger.records import Method

METHODS: Final[dict[Method, Callable[[Case], Peak]]] = {
    "butt_tied": suspended,
    "tip_tied": suspended,
    "span_rig": span,
    "snubbed_drop": snubbed,
    "let_run_drop": let_run,
    "swing": swing,
}
