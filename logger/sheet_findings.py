"""What the records of a sheet say of one another, and where that cannot be.

Comes in: a sheet in SI. Goes out: findings: where, what was expected, what stands there.
Must not: read files, or compute physics beyond a straight distance.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec

from logger.records import Guess, Limit, Piece, Rig, Rope, Sheet, Station

KeyPath = tuple[str | int, ...]
Finding = tuple[KeyPath, str, str]
"""Where something is wrong, what was expected, what stands there."""


def findings_of(sheet: Sheet, rigs: set[str], ropes: set[str]) -> Iterator[Finding]:
    """Everything that is wrong between the records of a sheet."""
    yield from _not_finite(msgspec.to_builtins(sheet), ())
    yield from _slashes(sheet)
    for kind in ("piece", "rig", "rope", "cell"):
        yield from _repeated((kind,), [record.name for record in getattr(sheet, kind)])
    by_name = {rig.name: rig for rig in sheet.rig}
    for i, rope in enumerate(sheet.rope):
        yield from _rope_findings(rope, ("rope", i))
    for i, piece in enumerate(sheet.piece):
        yield from _piece_findings(piece, ("piece", i), by_name, rigs)
    for i, rig in enumerate(sheet.rig):
        yield from _rig_findings(rig, ("rig", i), {r.name for r in sheet.rope} | ropes)
    for i, cell in enumerate(sheet.cell):
        low, high = cell.points
        if low.counts == high.counts or low.force_n == high.force_n:
            yield (
                ("cell", i, "points"),
                "two different loads with different counts",
                "the same twice",
            )
    for i, limit in enumerate(sheet.limit):
        yield from _limit_findings(limit, ("limit", i), sheet, rigs | ropes)
        yield from _limits_together(limit, ("limit", i), sheet.limit[:i], sheet.limit)


def _not_finite(value: Any, where: KeyPath) -> Iterator[Finding]:
    """Infinite or undefined numbers, which TOML can write."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _not_finite(item, (*where, key))
    elif isinstance(value, (list, tuple)):
        for i, item in enumerate(value):
            yield from _not_finite(item, (*where, i))
    elif isinstance(value, float) and not math.isfinite(value):
        yield where, "a finite number", str(value)


def _slashes(sheet: Sheet) -> Iterator[Finding]:
    """Names that would break the key ``job/piece``."""
    if "/" in sheet.job.name:
        yield ("job", "name"), "a name without '/'", sheet.job.name
    for i, piece in enumerate(sheet.piece):
        if "/" in piece.name:
            yield ("piece", i, "name"), "a name without '/'", piece.name


def _repeated(where: KeyPath, names: list[str]) -> Iterator[Finding]:
    """Names used twice."""
    for i, name in enumerate(names):
        if name in names[:i]:
            yield (*where, i, "name"), "a name not used before in this sheet", name


def _named(where: KeyPath, name: str, known: Iterable[str], what: str) -> Iterator[Finding]:
    """Find a reference to something that does not exist."""
    names = sorted(set(known))
    if name not in names:
        listed = ", ".join(names) if names else "there is none yet"
        yield where, f"the name of {what} ({listed})", name


def _piece_findings(
    piece: Piece, where: KeyPath, rigs: dict[str, Rig], known_rigs: set[str]
) -> Iterator[Finding]:
    """Check references, diameters, guesses and what the rig's method needs."""
    yield from _named((*where, "rig"), piece.rig, set(rigs) | known_rigs, "a rig")
    at_m = [diameter.at_m for diameter in piece.diameters]
    for i in range(len(at_m)):
        if at_m[i] > piece.length_m * (1 + 1e-9):
            expected = f"a place on the piece (0 to {piece.length_m:g} m)"
            yield (*where, "diameters", i, "at_m"), expected, f"{at_m[i]:g} m"
        elif i and at_m[i] <= at_m[i - 1]:
            expected = f"a place further out than {at_m[i - 1]:g} m"
            yield (*where, "diameters", i, "at_m"), expected, f"{at_m[i]:g} m"
    for i, guess in enumerate(piece.guesses):
        yield from _guess_findings(guess, (*where, "guesses", i))
    rig = rigs.get(piece.rig)
    if rig is not None:
        yield from _method_findings(piece, rig, where)


def _guess_findings(guess: Guess, where: KeyPath) -> Iterator[Finding]:
    """Find a guess of nothing."""
    if guess.weight_n is None and guess.drop_m is None:
        yield where, "weight_n or drop_m", "neither"


def _method_findings(piece: Piece, rig: Rig, where: KeyPath) -> Iterator[Finding]:
    """Check that a piece says what the method of its rig needs."""
    needed = {
        "span_rig": "release",
        "snubbed_drop": "drop",
        "let_run_drop": "drop",
        "swing": "swing",
    }.get(rig.method)
    if needed is not None and getattr(piece, needed) is None:
        yield (*where, needed), f"a table, because rig {rig.name} is a {rig.method}", "nothing"
    elif rig.method == "let_run_drop" and piece.drop is not None and piece.drop.run_m is None:
        yield (*where, "drop", "run_m"), "the braking distance of a let_run_drop", "nothing"


def _rope_findings(rope: Rope, where: KeyPath) -> Iterator[Finding]:
    """Check that a rope's table says one force a row and rises from row to row."""
    forces: list[float] = []
    for i, point in enumerate(rope.curve):
        here = (*where, "curve", i)
        if (point.force_n is None) == (point.breaking_share is None):
            found = "neither" if point.force_n is None else "both"
            yield here, "one of force_n and breaking_share in each row", found
            return
        if point.breaking_share is not None and rope.breaking_strength_n is None:
            expected = "the rope's breaking strength, because its table gives shares of it"
            yield (*where, "breaking_strength_n"), expected, "nothing"
            return
        forces.append(
            point.force_n or (point.breaking_share or 0) * (rope.breaking_strength_n or 0)
        )
    for i, (row, next_) in enumerate(itertools.pairwise(rope.curve), 1):
        if next_.elongation <= row.elongation:
            expected = (
                f"more than the row before ({row.elongation:g}): a table rises in both columns"
            )
            yield (*where, "curve", i, "elongation"), expected, f"{next_.elongation:g}"
        elif forces[i] <= forces[i - 1]:
            key = "force_n" if next_.force_n is not None else "breaking_share"
            expected = (
                f"more than the row before ({forces[i - 1]:g} N): a table rises in both columns"
            )
            yield (*where, "curve", i, key), expected, f"{forces[i]:g} N"


def _rig_findings(rig: Rig, where: KeyPath, ropes: set[str]) -> Iterator[Finding]:
    """Check references and what the method needs of the rig."""
    yield from _named((*where, "rope"), rig.rope, ropes, "a rope")
    names = [node.name for node in rig.nodes]
    yield from _repeated((*where, "nodes"), names)
    roles = [node.role for node in rig.nodes] or ["high_block"]
    places = names + [role for role in roles if roles.count(role) == 1]
    yield from _station_findings(rig.station, (*where, "station"), places)
    for i, station in enumerate(rig.more_stations):
        yield from _station_findings(station, (*where, "more_stations", i), places)
    yield from _one_cell_each(rig, where)
    for i, node in enumerate(rig.nodes):
        if node.wood_axis is not None and not any(node.wood_axis):
            yield (
                (*where, "nodes", i, "wood_axis"),
                "a direction: three numbers, not all 0",
                "0 0 0",
            )
    if rig.device == "winch" and rig.wraps is not None:
        expected = 'no wraps, because device = "winch"; or device = "wraps"'
        yield (*where, "wraps"), expected, f"{rig.wraps:g}"
    if rig.method == "span_rig":
        yield from _span_findings(rig, where)
    elif rig.method == "snubbed_drop" and rig.fall_length_m is None and len(rig.nodes) < 2:
        yield (
            (*where, "fall_length_m"),
            "the rope from high block to device, or both nodes",
            "nothing",
        )


def _one_cell_each(rig: Rig, where: KeyPath) -> Iterator[Finding]:
    """Stations that share a name; cells that would have to be at two stations at once."""
    names, cells = [rig.station.name], [rig.station.cell]
    for i, station in enumerate(rig.more_stations):
        here = (*where, "more_stations", i)
        if station.name in names:
            yield (*here, "name"), "a name not used before in this rig", station.name
        if station.cell and station.cell in cells:
            yield (*here, "cell"), "a cell that sits at no other station of this rig", station.cell
        names.append(station.name)
        cells.append(station.cell)


def _station_findings(station: Station, where: KeyPath, nodes: list[str]) -> Iterator[Finding]:
    """Where a cell can sit."""
    if station.node:
        yield from _named((*where, "node"), station.node, nodes, "a node of this rig, or its role")
    if station.mount == "sling" and not station.node:
        yield (*where, "node"), "the node whose sling holds the cell", "nothing"
    if station.mount == "running_line" and station.leg is None:
        yield (*where, "leg"), "the leg that runs through the sensor", "nothing"
    if station.mount == "end" and not station.node and station.leg is None:
        yield (*where, "leg"), "a leg or a node for a cell at a rope's end", "neither"
    if station.mount == "end" and station.leg == "fall" and not station.node:
        expected = (
            "lead or standing: an inline cell in the fall cannot pass a block; put it at the "
            "lead's piece end, in the high block's or device's sling, or use a running_line sensor"
        )
        yield (*where, "leg"), expected, "fall"


def _span_findings(rig: Rig, where: KeyPath) -> Iterator[Finding]:
    """Check that a span rig has two ends, and rope enough to reach from one to the other."""
    by_role = {node.role: node for node in rig.nodes}
    for role in ("high_block", "piece_block", "anchor"):
        if role not in by_role:
            yield (
                (*where, "nodes"),
                f"a node with role {role}, because the method is span_rig",
                "none",
            )
    if rig.rope_length_m is None:
        yield (*where, "rope_length_m"), "the rope between high block and anchor", "nothing"
    elif {"high_block", "anchor"} <= set(by_role):
        a, b = by_role["high_block"], by_role["anchor"]
        apart_m = math.dist((a.x_m, a.y_m, a.z_m), (b.x_m, b.y_m, b.z_m))
        if rig.rope_length_m <= apart_m:
            expected = f"more than the {apart_m:.2f} m between high block and anchor"
            yield (*where, "rope_length_m"), expected, f"{rig.rope_length_m:g} m"


def _limit_findings(
    limit: Limit, where: KeyPath, sheet: Sheet, elsewhere: set[str]
) -> Iterator[Finding]:
    """Find a limit on something that nobody named."""
    names = {rope.name for rope in sheet.rope} | {cell.name for cell in sheet.cell} | elsewhere
    for rig in sheet.rig:
        names |= {station.name for station in rig.stations} | {node.name for node in rig.nodes}
    yield from _named((*where, "on"), limit.on, names, "a rope, node, cell or station")


def _limits_together(
    limit: Limit, where: KeyPath, before: tuple[Limit, ...], every: tuple[Limit, ...]
) -> Iterator[Finding]:
    """Find a limit entered twice, and one that lies above what breaks."""
    kind = limit.kind.replace("_", " ")
    if any(other.on == limit.on and other.kind == limit.kind for other in before):
        yield (*where, "kind"), f"one {kind} on {limit.on}", "a second one"
    for other in every:
        broken = other.kind == "breaking_strength" and other.on == limit.on
        if broken and limit.kind != other.kind and limit.force_n >= other.force_n:
            expected = f"a {kind} below the breaking strength of {limit.on} ({other.force_n:g} N)"
            yield (*where, "force_n"), expected, f"{limit.force_n:g} N"
