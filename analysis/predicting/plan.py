"""Everything known of one piece before the cut, put together for one page.

Comes in: a piece, its rig, rope and limits; a prediction already made, a range seen. Goes
out: a :class:`Plan`. Must not: word, draw or store anything, or stop because one part of it
does not apply: then the reason stands in its place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import msgspec

from analysis.errors import PredictionError
from analysis.predicting.band import plan_pretension
from analysis.predicting.longest import longest
from analysis.predicting.longest_result import Longest, RangeSeen
from analysis.predicting.narrowing import Narrowing, narrowings
from analysis.predicting.piece import PieceEstimate, estimate
from analysis.predicting.place_loads import (
    LimitMargin,
    PlaceLoad,
    as_dicts,
    margins,
    place_loads,
)
from analysis.predicting.predict import predict
from analysis.predicting.pretension_plan import PretensionPlan
from logger.records import Limit, Piece, Rig, Rope

NOT_SEARCHED: Final = "not looked for here"


@dataclass(frozen=True, slots=True)
class Plan:
    """One piece before its cut.

    Parameters
    ----------
    piece, rig, rope : Record
        As written.
    limits : tuple of Limit
        All that were entered.
    estimate : PieceEstimate
        Weight and centre of mass.
    told : dict
        The prediction, as it is stored.
    loads : tuple of PlaceLoad
        At every station, leg and sling.
    margins : tuple of LimitMargin
        The least first.
    pretension : PretensionPlan or None
        None where ``no_pretension`` says why.
    longest : Longest or None
        Bigger or smaller; None where ``no_longest`` says why.
    narrowing : tuple of Narrowing
        What would narrow the weight most, the best first.
    warnings : tuple of str
        What makes numbers doubtful.
    """

    piece: Piece
    rig: Rig
    rope: Rope
    limits: tuple[Limit, ...]
    estimate: PieceEstimate
    told: Mapping[str, Any]
    loads: tuple[PlaceLoad, ...]
    margins: tuple[LimitMargin, ...]
    pretension: PretensionPlan | None
    no_pretension: str
    longest: Longest | None
    no_longest: str
    narrowing: tuple[Narrowing, ...]
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Give plain values, SI, ready for JSON."""
        pretension, search = self.pretension, self.longest
        return {
            "piece": self.piece.name,
            "rig": self.rig.name,
            "method": self.rig.method,
            "weight_n": self.estimate.weight_n,
            "weight_u_n": self.estimate.weight_u_n,
            "centre_from_butt_m": self.estimate.centre_from_butt_m,
            "centre_u_m": self.estimate.centre_u_m,
            "guesses": msgspec.to_builtins(self.piece.guesses),
            "prediction": dict(self.told),
            "loads": as_dicts(self.loads),
            "margins": [one.to_dict() for one in self.margins],
            "limits": msgspec.to_builtins(self.limits),
            "pretension": None if pretension is None else pretension.to_dict(),
            "no_pretension": self.no_pretension,
            "smaller_or_bigger": None if search is None else search.to_dict(),
            "no_smaller_or_bigger": self.no_longest,
            "narrowing": [one.to_dict() for one in self.narrowing],
            "warnings": list(self.warnings),
        }


def plan_piece(
    piece: Piece,
    rig: Rig,
    rope: Rope,
    limits: Sequence[Limit] = (),
    *,
    told: Mapping[str, Any] | None = None,
) -> Plan:
    """Put together what is known of a piece before the cut.

    Parameters
    ----------
    piece, rig, rope : Record
        As written.
    limits : sequence of Limit
        As entered.
    told : dict, optional
        The prediction that is stored; made now when not given.

    Returns
    -------
    Plan
        Without the search for a bigger or smaller piece, see :func:`with_search`.

    Raises
    ------
    PredictionError
        Piece or rig cannot be predicted at all.
    """
    known = estimate(piece)
    made = predict(piece, rig, rope) if told is None else told
    loads = place_loads(rig, known.weight_n, known.weight_u_n, made)
    pretension, why = None, ""
    try:
        pretension = plan_pretension(piece, rig, rope, limits)
    except PredictionError as error:
        why = str(error)
    more = () if pretension is None else pretension.warnings
    return Plan(
        piece=piece,
        rig=rig,
        rope=rope,
        limits=tuple(limits),
        estimate=known,
        told=made,
        loads=loads,
        margins=tuple(margins(rig, loads, limits)),
        pretension=pretension,
        no_pretension=why,
        longest=None,
        no_longest=NOT_SEARCHED,
        narrowing=(),
        warnings=tuple(dict.fromkeys([*made["warnings"], *more])),
    )


def with_search(
    plan: Plan, *, limb: Piece | None = None, range_seen: RangeSeen | None = None
) -> Plan:
    """Add what takes longer: smaller or bigger pieces, and what would narrow the weight.

    Parameters
    ----------
    plan : Plan
        Of the planned piece.
    limb : Piece, optional
        The whole limb that it is cut from; the piece itself when not given.
    range_seen : RangeSeen, optional
        Pieces behind the crew's rules; without them nothing is said about a longer piece.

    Returns
    -------
    Plan
    """
    search, why = None, ""
    whole = plan.piece if limb is None else limb
    try:
        search = longest(
            whole,
            plan.rig,
            plan.rope,
            plan.limits,
            planned_m=plan.piece.length_m,
            range_seen=range_seen,
        )
    except PredictionError as error:
        why = str(error)
    return replace(plan, longest=search, no_longest=why, narrowing=narrowings(plan.piece))
