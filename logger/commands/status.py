"""One line on how a recording goes, for terminals and logs.

Comes in: snapshots. Goes out: plain text. Must not: say that a load is acceptable.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from logger.units import ForceUnit, counted, format_force, format_seconds

if TYPE_CHECKING:
    from logger.live import CellView, Snapshot

CAUTION: Final = "Not a limit, not a permission: the climber calls the stop; silence is not a go."


def cell_state(view: CellView, units: ForceUnit) -> str:
    """Say what a cell's number rests on: lowering, rate, losses, battery, clock."""
    parts = []
    if view.lowering is not None:
        peak = "" if view.peak_n is None else f", peak {format_force(view.peak_n, units)}"
        doing = "under way" if view.window_open else "ended"
        parts.append(f"lowering {view.lowering} {doing}{peak}")
    parts.append(f"{view.rate_hz:.0f} samples/s")
    parts.append(losses(view.n_samples, view.n_missing, view.n_gaps, view.n_faults))
    if view.zero_n is not None:
        parts.append(f"zero {format_force(view.zero_n, units)}")
    if view.battery_pct is not None:
        parts.append(f"battery {view.battery_pct} %")
    if view.drift_ppm is not None:
        parts.append(f"clock {view.drift_ppm:+.0f} ppm")
    if view.time_error_s is not None:
        unbounded = " (nothing bounds the latency)" if view.latency_s is None else ""
        parts.append(f"time ± {format_seconds(view.time_error_s)}{unbounded}")
    if not view.connected:
        parts.append("NOT CONNECTED")
    return ", ".join(parts)


def cell_line(snapshot: Snapshot, view: CellView, units: ForceUnit) -> str:
    """Cell, force and state in one line."""
    if snapshot.stale(view):
        force = "no new samples"
    elif view.force_n is None:
        force = "no calibration"
    else:
        force = format_force(view.force_n, units)
    return f"{view.cell}: {force}; {cell_state(view, units)}"


def disk_state(snapshot: Snapshot) -> str:
    """Lowerings so far and room on the disk."""
    room = "" if snapshot.free_bytes is None else f"; disk: {snapshot.free_bytes / 1e9:.1f} GB free"
    return f"{counted(snapshot.lowerings, 'lowering')} recorded{room}"


def losses(samples: int, missing: int, gaps: int, faults: int) -> str:
    """Say what came and what did not.

    Examples
    --------
    >>> losses(100, 5, 1, 0)
    '100 samples, 5 missing in 1 gap, 0 faults'
    """
    missed = f"{missing} missing in {counted(gaps, 'gap')}"
    return f"{counted(samples, 'sample')}, {missed}, {counted(faults, 'fault')}"
