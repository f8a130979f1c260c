"""What would have changed the peak: the same prediction with one thing different.

Comes in: piece, rig and rope, and changes to them. Goes out: a :class:`WhatIf`, the peak at
every station before and after each change, as the model says, other things equal. Must
not: recommend, read a logbook, or change a stored prediction.

Notes
-----
All rows use the same seed, so the same drawn pieces and frictions: the ratio of a row to the
first is taken draw by draw and its range is narrower than that of either peak. It holds
what is uncertain in the inputs, not what the model leaves out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

import msgspec
import numpy as np

from analysis.errors import PredictionError
from analysis.predicting.drawn import band
from analysis.predicting.predict import CAUTIONS, MODEL, outcome
from logger.records import Diameter, Drop, Piece, Rig, Rope

Kind = Literal["run", "pretension", "drop", "rope", "piece_size"]

LABEL: Final = "the model says, other things equal"
DRAWS: Final = 1000

SHARES: Final = (0.25, 0.5, 0.75, 0.9, 1.0)
RUNS_M: Final = (1.0, 2.0, 4.0)
RUN_FACTORS: Final = (0.5, 2.0)
STIFFNESS_FACTORS: Final = (0.5, 2.0)
LENGTH_FACTORS: Final = (0.5, 0.75, 1.25)
TIE_FACTORS: Final = (0.5, 0.0)
MORE_LEAD_M: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """One thing different.

    Parameters
    ----------
    kind : str
        ``run``, ``pretension``, ``drop``, ``rope`` or ``piece_size``.
    key : str
        The record's key that differs, with its unit: ``piece.drop.run_m``.
    was, now : float, str or None
        Its value before and after, SI; None where nothing was written.
    piece, rig, rope : record
        The records with the change.
    """

    kind: Kind
    key: str
    was: float | str | None
    now: float | str | None
    piece: Piece
    rig: Rig
    rope: Rope


@dataclass(frozen=True, slots=True)
class Row:
    """A change and what the model says of it.

    Parameters
    ----------
    kind, key, was, now
        Of the :class:`Change`.
    peak_n : dict
        Station → ``{p05, p50, p95}``, newtons.
    ratio : dict
        Station → ``{p05, p50, p95}`` of peak over peak without the change.
    weight_n : dict or None
        ``{p05, p50, p95}`` of the piece's weight.
    refused : str
        Why the change could not be computed; the rest is empty then.
    """

    kind: Kind | Literal["as_planned"]
    key: str
    was: float | str | None
    now: float | str | None
    peak_n: dict[str, dict[str, float]]
    ratio: dict[str, dict[str, float]]
    weight_n: dict[str, float] | None
    refused: str = ""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The table: the plan first, then each change."""

    base: Row
    rows: tuple[Row, ...]
    draws: int
    seed: int

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON, SI, labelled."""
        return {
            "label": LABEL,
            "model": MODEL,
            "draws": self.draws,
            "seed": self.seed,
            "as_planned": asdict(self.base),
            "changes": [asdict(row) for row in self.rows],
            "cautions": list(CAUTIONS),
        }


def what_if(
    piece: Piece,
    rig: Rig,
    rope: Rope,
    changes: Iterable[Change] | None = None,
    *,
    draws: int = DRAWS,
    seed: int = 1,
) -> WhatIf:
    """Predict a piece again with one thing different at a time.

    Parameters
    ----------
    piece, rig, rope : record
        As planned.
    changes : iterable of Change, optional
        :func:`usual_changes` by default.
    draws, seed : int
        Of the sampling; the same for all rows.

    Returns
    -------
    WhatIf

    Raises
    ------
    PredictionError
        The plan itself cannot be predicted.

    Examples
    --------
    >>> from logger.records import Diameter, Release, Station
    >>> log = Piece(name="P", length_m=3.0, rig="R", density_kg_per_m3=900.0,
    ...             diameters=(Diameter(at_m=1.5, diameter_m=0.3),),
    ...             release=Release(share_carried=0.5))
    >>> rig = Rig(name="R", method="butt_tied", rope="blue",
    ...           station=Station(name="tie", mount="end", leg="lead"))
    >>> table = what_if(log, rig, Rope(name="blue", stiffness_n=6e4), draws=200)
    >>> [(row.now, round(row.ratio["tie"]["p50"], 2)) for row in table.rows
    ...  if row.kind == "pretension"]
    [(0.25, 1.14), (0.75, 0.86), (0.9, 0.79), (1.0, 0.76)]
    """
    plan = outcome(piece, rig, rope, draws=draws, seed=seed)
    base = Row(
        "as_planned", "", None, None, {name: band(n) for name, n in plan.peak_n.items()},
        {name: {"p05": 1.0, "p50": 1.0, "p95": 1.0} for name in plan.peak_n},
        band(plan.case.draws.weight_n),
    )  # fmt: skip

    def row(change: Change) -> Row:
        head = (change.kind, change.key, change.was, change.now)
        try:
            new = outcome(change.piece, change.rig, change.rope, draws=draws, seed=seed)
        except PredictionError as error:
            return Row(*head, {}, {}, None, str(error))
        ratio = {
            name: band(np.asarray(new.peak_n[name] / np.maximum(n, 1e-9)))
            for name, n in plan.peak_n.items()
            if name in new.peak_n
        }
        peaks = {name: band(n) for name, n in new.peak_n.items()}
        return Row(*head, peaks, ratio, band(new.case.draws.weight_n))

    asked = usual_changes(piece, rig, rope) if changes is None else changes
    return WhatIf(base, tuple(row(change) for change in asked), draws, seed)


def usual_changes(
    piece: Piece, rig: Rig, rope: Rope, other_ropes: Iterable[Rope] = ()
) -> tuple[Change, ...]:
    """List what a crew could have done otherwise with this piece.

    Parameters
    ----------
    piece, rig, rope : record
        As planned.
    other_ropes : iterable of Rope
        Ropes that the crew has; each gives a row.

    Returns
    -------
    tuple of Change
        Only those that apply to the method.
    """
    builders: tuple[Callable[[Piece, Rig, Rope], list[Change]], ...] = (
        _runs, _pretensions, _drops, _ropes, _sizes,
    )  # fmt: skip
    found = [change for build in builders for change in build(piece, rig, rope)]
    found += [
        Change("rope", "rope.name", rope.name, other.name, piece, rig, other)
        for other in other_ropes
        if other.name != rope.name
    ]
    return tuple(found)


def _runs(piece: Piece, rig: Rig, rope: Rope) -> list[Change]:
    """Let a snubbed drop run; let a run be shorter or longer, or hold it."""
    drop = piece.drop
    if drop is None or rig.method not in {"snubbed_drop", "let_run_drop"}:
        return []
    changes = []
    if rig.method == "snubbed_drop":
        was = 0.0
        runs: tuple[float, ...] = RUNS_M
    else:
        was = drop.run_m or 0.0
        runs = tuple(was * factor for factor in RUN_FACTORS if was > 0)
        held = msgspec.structs.replace(rig, method="snubbed_drop")
        changes.append(Change("run", "piece.drop.run_m", was, 0.0, piece, held, rope))
    running = msgspec.structs.replace(rig, method="let_run_drop")
    for run_m in runs:
        new = msgspec.structs.replace(drop, run_m=run_m)
        changes.append(
            Change("run", "piece.drop.run_m", was, run_m, _dropped(piece, new), running, rope)
        )
    return changes


def _dropped(piece: Piece, drop: Drop) -> Piece:
    return msgspec.structs.replace(piece, drop=drop)


def _pretensions(piece: Piece, rig: Rig, rope: Rope) -> list[Change]:
    release = piece.release
    if release is None or rig.method in {"snubbed_drop", "let_run_drop"}:
        return []
    was = release.share_carried
    return [
        Change(
            "pretension", "piece.release.share_carried", was, share,
            msgspec.structs.replace(
                piece, release=msgspec.structs.replace(release, share_carried=share)
            ),
            rig, rope,
        )
        for share in SHARES
        if abs(share - was) > 0.01
    ]  # fmt: skip


def _drops(piece: Piece, rig: Rig, rope: Rope) -> list[Change]:
    """Tie nearer to the block, take the slack out, have more rope below the block."""
    drop = piece.drop
    if drop is None or rig.method not in {"snubbed_drop", "let_run_drop"}:
        return []
    changes = []
    for factor in TIE_FACTORS:
        tie_m = drop.tie_above_block_m * factor
        if tie_m < drop.tie_above_block_m and not (tie_m == 0.0 and _no_rope(rig)):
            new = msgspec.structs.replace(drop, tie_above_block_m=tie_m)
            key = "piece.drop.tie_above_block_m"
            changes.append(
                Change("drop", key, drop.tie_above_block_m, tie_m, _dropped(piece, new), rig, rope)
            )
    if drop.slack_m > 0:
        new = msgspec.structs.replace(drop, slack_m=0.0)
        changes.append(
            Change("drop", "piece.drop.slack_m", drop.slack_m, 0.0, _dropped(piece, new), rig, rope)
        )
    return changes


def _no_rope(rig: Rig) -> bool:
    return rig.lead_length_m is None and rig.fall_length_m in {None, 0.0}


def _ropes(piece: Piece, rig: Rig, rope: Rope) -> list[Change]:
    """Use a softer or a stiffer rope; have more of it in play."""
    changes = [
        Change(
            "rope", "rope.stiffness_n", rope.stiffness_n, rope.stiffness_n * factor, piece, rig,
            msgspec.structs.replace(rope, stiffness_n=rope.stiffness_n * factor),
        )
        for factor in STIFFNESS_FACTORS
    ]  # fmt: skip
    if rig.fall_length_m is not None:
        longer = msgspec.structs.replace(rig, fall_length_m=rig.fall_length_m + MORE_LEAD_M)
        changes.append(
            Change(
                "rope", "rig.fall_length_m", rig.fall_length_m, longer.fall_length_m, piece,
                longer, rope,
            )
        )  # fmt: skip
    return changes


def _sizes(piece: Piece, rig: Rig, rope: Rope) -> list[Change]:
    """Cut it shorter or longer: the same taper over another length.

    The centre of mass above the tie and the lift's offset go with the length.
    """
    return [
        Change(
            "piece_size", "piece.length_m", piece.length_m, piece.length_m * factor,
            _cut(piece, factor), rig, rope,
        )
        for factor in LENGTH_FACTORS
    ]  # fmt: skip


def _cut(piece: Piece, factor: float) -> Piece:
    ends = tuple(
        Diameter(at_m=min(d.at_m * factor, piece.length_m * factor), diameter_m=d.diameter_m)
        for d in piece.diameters
    )
    drop, release = piece.drop, piece.release
    if drop is not None:
        drop = msgspec.structs.replace(drop, centre_above_tie_m=drop.centre_above_tie_m * factor)
    if release is not None:
        release = msgspec.structs.replace(release, offset_m=release.offset_m * factor)
    return msgspec.structs.replace(
        piece, length_m=piece.length_m * factor, diameters=ends, drop=drop, release=release
    )
