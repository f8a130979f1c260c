"""Bigger or smaller: load against length, and where the first working limit is reached.

Comes in: a limb with its taper, a rig, a rope, typed limits, the range that the crew's
rules have seen. Goes out: a :class:`Longest`. Must not: recommend a length, or take a
breaking strength or a peak allowance for a working limit.

Notes
-----
A piece is cut from the limb's tip: the longer, the thicker its butt. At every place the
larger of two loads is set against a working limit: the 95 % predicted peak, and the 95 %
heavy piece raised with one standard uncertainty more friction than written. The length by
the hanging load alone stands beside it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from analysis.errors import PredictionError
from analysis.predicting.inputs import check_numbers, name_of
from analysis.predicting.longest_limits import Judge
from analysis.predicting.longest_result import (
    BASIS,
    STATEMENT,
    Cuts,
    Longest,
    PlaceCurve,
    RangeSeen,
    Reached,
)
from analysis.predicting.longest_section import Loader, SectionLoads
from analysis.predicting.rig import check_rig, places_of
from logger.records import Limit, Piece, Rig, Rope

SHORTEST_M: Final = 0.3
"""Own choice: shorter pieces are not looked at."""

MOST_CUTS: Final = 40
"""Own choice: a limb that would need more is told so."""

_GRID: Final = 9
_CLOSE_M: Final = 0.005
_CLOSE_LOAD: Final = 0.004
_STEPS: Final = 12
_SHORTER: Final = (0.75, 0.5)


def _reach(
    excess: Callable[[float], float], low: tuple[float, float], high: tuple[float, float]
) -> float:
    """Length just below that at which an excess rises through zero.

    By false position on the logarithm of the length, along which the logarithm of a load
    is nearly straight.
    """
    (a, f_a), (b, f_b) = low, high
    found = f_a
    for _ in range(_STEPS):
        if b - a <= _CLOSE_M or found >= -_CLOSE_LOAD:
            break
        share = min(max((f_a + 0.5 * _CLOSE_LOAD) / (f_a - f_b), 0.02), 0.98)
        middle = a * (b / a) ** share
        f = excess(middle)
        if f < 0:
            a, f_a, f_b, found = middle, f, 0.5 * f_b, f
        else:
            b, f_b, f_a = middle, f, 0.5 * f_a
    return a


def longest(
    limb: Piece,
    rig: Rig,
    rope: Rope,
    limits: Sequence[Limit],
    *,
    planned_m: float,
    range_seen: RangeSeen | None,
    draws: int = 300,
    seed: int = 1,
) -> Longest:
    """Find the loads against length, and the length at which a working limit is reached.

    Parameters
    ----------
    limb : Piece
        The whole limb as one piece, with two diameters at least; release, drop or swing as
        for the planned piece.
    rig : Rig
        With its nodes and stations.
    rope : Rope
        The rope in the rig.
    limits : sequence of Limit
        As entered; those on nothing in this rig are told.
    planned_m : float
        Length of the planned piece, from the limb's tip.
    range_seen : RangeSeen or None
        Computed weights of the pieces behind the crew's rules; None when there are none,
        and then nothing is said about a longer piece than planned.
    draws, seed : int
        Of the prediction.

    Returns
    -------
    Longest

    Raises
    ------
    PredictionError
        No working limit is entered on anything in the rig, or limb, rig or length are not
        usable.
    """
    check_rig(rig)
    check_numbers(limb)
    if not (math.isfinite(planned_m) and SHORTEST_M <= planned_m <= limb.length_m * (1 + 1e-9)):
        raise PredictionError(
            f"{name_of(limb)}: a planned piece of {planned_m} m cannot be cut from a limb of "
            f"{limb.length_m:g} m; write a length from {SHORTEST_M:g} m to the limb's"
        )
    here = [limit for limit in limits if places_of(rig, limit.on)]
    working = tuple(limit for limit in here if limit.kind == "working_limit")
    if not working:
        raise PredictionError(
            f"{name_of(rig)}: no working limit is entered on its rope, nodes or cells, so nothing is "
            "said about a bigger piece; enter one with kind = 'working_limit', by whom and when"
        )
    loader = Loader(limb, rig, rope, planned_m, draws, seed)
    allowances = tuple(limit for limit in here if limit.kind == "peak_allowance")
    return _Search(loader, working, allowances, range_seen).result(limits)


class _Search:
    """One search: the grid of lengths, and everything read off it."""

    def __init__(
        self,
        loader: Loader,
        working: tuple[Limit, ...],
        allowances: tuple[Limit, ...],
        seen: RangeSeen | None,
    ) -> None:
        self.loader, self.seen = loader, seen
        self.known: dict[tuple[float, float], SectionLoads] = {}
        self.total_m = loader.limb.length_m
        self.working, self.allowances = working, allowances
        self.judge = Judge(loader, working)
        planned = loader.planned_m
        lengths = {*np.linspace(SHORTEST_M, self.total_m, _GRID).tolist(), planned}
        lengths |= {share * planned for share in _SHORTER if share * planned >= SHORTEST_M}
        self.grid = [self.from_tip(length) for length in sorted(lengths)]
        self.planned = next(loads for loads in self.grid if abs(loads.length_m - planned) < 1e-9)
        self.cap_n = self.planned.weight_n if seen is None else seen.high_n

    def of(self, start_m: float, end_m: float) -> SectionLoads:
        """Compute the loads of a section, once."""
        if (start_m, end_m) not in self.known:
            self.known[start_m, end_m] = self.loader.of(start_m, end_m)
        return self.known[start_m, end_m]

    def from_tip(self, length_m: float) -> SectionLoads:
        return self.of(self.total_m - length_m, self.total_m)

    def crossing(self, judge: Judge) -> Reached | None:
        """Where the first of a judge's limits is reached, or None on this limb."""
        before = (0.0, -math.inf)
        for loads in self.grid:
            excess = judge.excess(loads)
            if excess >= 0:
                length = self._between(judge, before, (loads.length_m, excess))
                at = self.from_tip(length)
                ruling = judge.ruling(at)
                return Reached(length, at.weight_n, ruling.limit, ruling.judged)
            before = (loads.length_m, excess)
        return None

    def _between(self, judge: Judge, low: tuple[float, float], high: tuple[float, float]) -> float:
        if low[0] == 0.0:
            return high[0]
        return _reach(lambda length: judge.excess(self.from_tip(length)), low, high)

    def result(self, limits: Sequence[Limit]) -> Longest:
        found = self.crossing(self.judge)
        refused, bigger = self._bigger(found)
        shown = found if found is not None and not self._withheld(found) else None
        hanging = self.crossing(Judge(self.loader, self.working, hanging=True))
        if hanging is not None and self._withheld(hanging):
            hanging = None
        loader = self.loader
        return Longest(
            limb=loader.limb.name,
            rig=loader.rig.name,
            method=loader.rig.method,
            planned_m=loader.planned_m,
            planned_weight_n=self.planned.weight_n,
            lengths_m=tuple(loads.length_m for loads in self.grid),
            weights_n=tuple(loads.weight_n for loads in self.grid),
            places=self._curves(),
            reached=shown,
            reached_hanging=hanging,
            allowances=self._allowances(),
            cuts=self._cuts(),
            smaller=self._smaller(found),
            bigger=bigger,
            refused=refused,
            statement=self._statement(shown, refused=refused),
            range_seen=self.seen,
            basis=BASIS,
            warnings=self._warnings(limits, found),
        )

    def _withheld(self, found: Reached) -> bool:
        """Whether a length lies beyond the planned piece and outside the range seen."""
        return found.length_m > self.loader.planned_m and found.weight_n > self.cap_n

    def _bigger(self, found: Reached | None) -> tuple[bool, str]:
        if self.seen is None:
            return True, (
                "Nothing is said about a longer piece: no rule of this crew stands on recorded "
                "lowerings yet."
            )
        if found is not None and found.length_m <= self.loader.planned_m:
            return True, "Nothing is said about a longer piece: a working limit is reached before."
        heaviest = self.grid[-1].weight_n if found is None else found.weight_n
        if heaviest > self.cap_n:
            pieces = f" in {self.seen.pieces} pieces" if self.seen.pieces else ""
            return True, (
                f"Refused beyond {self.seen.high_n / 1e3:.2f} kN of computed weight: the heaviest "
                f"that the rules have seen{pieces}. No length is given."
            )
        return False, "Loads against length stand below; the range of the rules covers them."

    def _statement(self, shown: Reached | None, *, refused: bool) -> str:
        if shown is not None:
            return STATEMENT.format(length=f"{shown.length_m:.2f} m", governed=shown.governed)
        if refused:
            return ""
        return (
            f"No entered working limit is reached up to the whole limb of {self.total_m:.2f} m. Not "
            "a recommendation; the tree's strength is not in it."
        )

    def _smaller(self, found: Reached | None) -> tuple[str, ...]:
        """Say first what the planned piece does, then shorter ones."""
        said = [self._line("Planned", self.planned)]
        alone = Judge(self.loader, self.working, hanging=True).ruling(self.planned)
        if alone.log_ratio >= 0:
            said.append(
                f"Its hanging load alone ({alone.load_n / 1e3:.2f} kN if heavy) is past the working "
                f"limit of {alone.limit.on} ({alone.limit.force_n / 1e3:.2f} kN): only a smaller "
                "piece or another rig brings it below."
            )
        if found is not None and found.length_m < self.planned.length_m:
            said.append(f"The limit is reached at {found.length_m:.2f} m already.")
        shorter = {round(share * self.planned.length_m, 9) for share in _SHORTER}
        less = [loads for loads in self.grid if round(loads.length_m, 9) in shorter]
        return (*said, *(self._line("Smaller", loads) for loads in reversed(less)))

    def _line(self, what: str, loads: SectionLoads) -> str:
        ruling = self.judge.ruling(loads)
        load = "predicted peak" if ruling.judged == "peak" else "hanging load if heavy"
        return (
            f"{what}: {loads.length_m:.2f} m, about {loads.weight_n / 1e3:.2f} kN; nearest to its "
            f"working limit is {ruling.limit.on}: {load} {ruling.load_n / 1e3:.2f} kN of "
            f"{ruling.limit.force_n / 1e3:.2f} kN ({100 * math.exp(ruling.log_ratio):.0f} %)."
        )

    def _curves(self) -> tuple[PlaceCurve, ...]:
        curves = []
        for kind, place in self.grid[0].places:
            at = [loads.places[kind, place] for loads in self.grid]
            curves.append(
                PlaceCurve(
                    kind,
                    place,
                    tuple(load.hang_n for load in at),
                    tuple(load.heavy_n for load in at),
                    tuple(load.peak_p50_n or 0.0 for load in at),
                    tuple(load.peak_p95_n or 0.0 for load in at),
                )
            )
        return tuple(curves)

    def _allowances(self) -> tuple[Reached, ...]:
        found = [self.crossing(Judge(self.loader, (limit,))) for limit in self.allowances]
        return tuple(one for one in found if one is not None and not self._withheld(one))

    def _warnings(self, limits: Sequence[Limit], found: Reached | None) -> tuple[str, ...]:
        rig = self.loader.rig
        said = list(self.planned.warnings)
        strange = sorted({limit.on for limit in limits if not places_of(rig, limit.on)})
        if strange:
            said.append(f"limits on nothing in this rig: {', '.join(strange)}")
        if found is not None and self.seen is not None and found.weight_n < self.seen.low_n:
            said.append("pieces so light are outside the range that the rules have seen")
        if found is not None and found.length_m <= SHORTEST_M:
            said.append(
                f"the shortest piece looked at, {SHORTEST_M:g} m, reaches the limit already"
            )
        return tuple(said)

    def _cuts(self) -> Cuts:
        """Cut the whole limb: by taper from the tip, and in equal lengths."""
        lengths, weights = self._by_taper()
        least = len(lengths) or math.ceil(self.total_m / self.loader.planned_m)
        equal = next((n for n in range(least, MOST_CUTS + 1) if self._equal_goes(n)), None)
        capped = "the planned piece" if self.seen is None else "the heaviest piece seen"
        if not lengths or equal is None:
            said = (
                f"The limb would need more than {MOST_CUTS} pieces, or pieces shorter than "
                f"{SHORTEST_M:g} m."
            )
        elif equal == len(lengths) == 1:
            said = f"Whole limb: in one piece of {self.total_m:.2f} m, not heavier than {capped}."
        else:
            said = (
                f"Whole limb: in {equal} of equal length ({self.total_m / equal:.2f} m; the butt piece "
                f"decides), or in {len(lengths)} cut by taper; none heavier than {capped}."
            )
        each = None if equal is None else self.total_m / equal
        return Cuts(equal, each, lengths, weights, said)

    def _excess(self, start_m: float, end_m: float) -> float:
        loads = self.of(start_m, end_m)
        slack = 1e-9
        return max(self.judge.excess(loads), math.log(loads.weight_n / self.cap_n) - slack)

    def _by_taper(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        end = self.total_m
        lengths: list[float] = []
        weights: list[float] = []
        while end > 1e-9 and len(lengths) < MOST_CUTS:
            length = self._longest_from(end)
            if length is None:
                return (), ()
            lengths.append(length)
            weights.append(self.of(end - length, end).weight_n)
            end -= length
        return (tuple(lengths), tuple(weights)) if end <= 1e-9 else ((), ())

    def _longest_from(self, end_m: float) -> float | None:
        """Length of the longest piece that ends there and goes, or None."""
        whole = self._excess(0.0, end_m)
        if whole < 0:
            return end_m
        short = min(SHORTEST_M, end_m)
        least = self._excess(end_m - short, end_m)
        if least >= 0:
            return None
        return _reach(
            lambda length: self._excess(end_m - length, end_m), (short, least), (end_m, whole)
        )

    def _equal_goes(self, n: int) -> bool:
        """Whether n equal pieces all go; on a limb that only tapers the butt piece decides."""
        edges = [float(edge) for edge in np.linspace(0.0, self.total_m, n + 1)]
        widths = [d.across_m for d in sorted(self.loader.limb.diameters, key=lambda d: d.at_m)]
        tapers = all(a >= b for a, b in itertools.pairwise(widths))
        pieces = list(itertools.pairwise(edges))
        return all(self._excess(a, b) < 0 for a, b in (pieces[:1] if tapers else pieces))
