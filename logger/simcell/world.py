"""The hidden world: the true force at the station against time, and the truth about it.

Comes in: a scenario. Goes out: ``World.force_n(time_s)`` and a truth dictionary for tests.
Must not: know about cells, counts, noise or the wire; import anything of ours outside
``logger.simcell``.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.simcell.motion import SLACK_N, Trace, lower_piece
from logger.simcell.scenario import Lowering, Scenario, ScenarioError, Signal, StationName

FloatArray = NDArray[np.float64]
STILL_S = 0.4
RELEASE_KINDS: Mapping[str, str] = {
    "snubbed_drop": "catch",
    "let_run_drop": "catch",
    "swing": "rise",
    "tip_tied": "rise",
    "butt_tied": "gradual",
}


@dataclass(frozen=True, slots=True)
class LoweringTruth:
    """What is true of one lowering at the station; times in seconds of the scenario.

    ``peak_n`` is the largest force of the whole lowering, ``release_peak_n`` the largest
    from release (or catch) to the start of the lowering (None when the force only drops),
    ``first_extreme_n`` the smallest there when it drops, ``hang_n`` the mean of the last
    0.4 s before the lowering starts.
    """

    name: str
    piece: str
    method: str
    station: str
    weight_n: float
    hang_n: float
    peak_n: float
    peak_s: float
    release_kind: str
    release_peak_n: float | None
    first_extreme_n: float | None
    pretension_settled_n: float
    pretension_max_n: float
    share_at_release: float
    fall_m: float
    run_m: float
    start_s: float
    release_s: float
    down_s: float
    touch_s: float
    end_s: float


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """True force against time.

    ``duration_s`` is infinite for endless signals. With ``counter`` the device sends
    sample indices instead of a force.
    """

    title: str
    duration_s: float
    weight_factor: float
    lowerings: tuple[LoweringTruth, ...] = ()
    grid_n: FloatArray | None = None
    step_s: float = 0.0
    signal: Signal | None = None

    @property
    def counter(self) -> bool:
        """Whether the device shall send the sample's index as counts."""
        return self.signal is not None and self.signal.kind == "counter"

    def force_n(self, time_s: FloatArray) -> FloatArray:
        """Look up the true force at the station.

        Parameters
        ----------
        time_s : (n,) float64
            Seconds of the scenario; outside it the rope is slack.

        Returns
        -------
        (n,) float64
            Newtons.
        """
        if self.grid_n is not None:
            return np.interp(time_s / self.step_s, _steps(self.grid_n), self.grid_n, 0.0, 0.0)
        if self.signal is None:
            return np.zeros_like(time_s)
        return _signal_n(self.signal, time_s)


_STEPS: dict[int, FloatArray] = {}


def _steps(grid_n: FloatArray) -> FloatArray:
    size = grid_n.size
    if size not in _STEPS:
        _STEPS[size] = np.arange(size, dtype=np.float64)
    return _STEPS[size]


def _signal_n(signal: Signal, time_s: FloatArray) -> FloatArray:
    turns = time_s / signal.period_s
    if signal.kind == "sine":
        return signal.level_n + signal.amplitude_n * np.sin(2.0 * math.pi * turns)
    if signal.kind == "ramp":
        return signal.level_n + signal.amplitude_n * (turns - np.floor(turns))
    return np.full_like(time_s, signal.level_n)


def _read_csv(path: str) -> tuple[FloatArray, FloatArray]:
    with Path(path).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    try:
        columns = [np.asarray([float(r[k]) for r in rows]) for k in ("time_s", "force_n")]
    except (KeyError, ValueError, TypeError) as error:
        raise ScenarioError(f"{path}: expected columns time_s,force_n of numbers") from error
    if columns[0].size < 2 or not np.all(np.diff(columns[0]) > 0):
        raise ScenarioError(f"{path}: expected at least two rows with rising time_s")
    return columns[0] - columns[0][0], columns[1]


def _truth(lowering: Lowering, trace: Trace, station: StationName, start_s: float) -> LoweringTruth:
    force, step_s = trace.force_n[station], trace.step_s
    release, down = round(trace.release_s / step_s), round(trace.down_s / step_s)
    peak = int(np.argmax(force))
    drops = trace.share_at_release > 1.0
    kind = RELEASE_KINDS.get(lowering.method, "drop" if drops else "rise")
    still = force[down - round(STILL_S / step_s) : down]
    pretension = force[:release]
    return LoweringTruth(
        name=lowering.name,
        piece=lowering.piece or lowering.name,
        method=lowering.method,
        station=station,
        weight_n=lowering.weight_n,
        hang_n=float(still.mean()),
        peak_n=float(force[peak]),
        peak_s=start_s + peak * step_s,
        release_kind=kind,
        release_peak_n=None if drops else float(force[release:down].max()),
        first_extreme_n=float(force[release:down].min()) if drops else None,
        pretension_settled_n=float(pretension[-1]) if release else 0.0,
        pretension_max_n=float(pretension.max()) if release else 0.0,
        share_at_release=trace.share_at_release,
        fall_m=lowering.release.fall_m,
        run_m=trace.run_m,
        start_s=start_s,
        release_s=start_s + trace.release_s,
        down_s=start_s + trace.down_s,
        touch_s=start_s + trace.touch_s,
        end_s=start_s + force.size * step_s,
    )


def _slack_end(force_n: FloatArray) -> int:
    """Count the grid points at the end during which the rope is slack already."""
    loaded = np.flatnonzero(force_n > SLACK_N)
    return force_n.size - 1 - int(loaded[-1]) if loaded.size else force_n.size


def _heavier(lowering: Lowering, factor: float) -> Lowering:
    """Scale the true weight and nothing else."""
    return replace(lowering, weight_n=lowering.weight_n * factor)


def _world_of_lowerings(scenario: Scenario, weight_factor: float) -> World:
    timing = scenario.scenario
    step_s = timing.step_s
    parts: list[FloatArray] = [np.zeros(round(timing.quiet_start_s / step_s))]
    truths: list[LoweringTruth] = []
    traces = [lower_piece(_heavier(one, weight_factor), step_s) for one in scenario.lowering]
    pairs = list(zip(scenario.lowering, traces, strict=True)) * timing.repeat
    for lowering, trace in pairs:
        force_n = trace.force_n[timing.station]
        if truths:
            slack = _slack_end(parts[-1]) + _slack_end(force_n[::-1])
            quiet = max(0, round(timing.quiet_between_s / step_s) - slack)
            parts.append(np.zeros(quiet))
        start_s = sum(part.size for part in parts) * step_s
        parts.append(force_n)
        heavier = _heavier(lowering, weight_factor)
        truths.append(_truth(heavier, trace, timing.station, start_s))
    parts.append(np.zeros(round(timing.quiet_end_s / step_s)))
    grid_n = np.concatenate(parts)
    return World(
        title=timing.title,
        duration_s=grid_n.size * step_s,
        weight_factor=weight_factor,
        lowerings=tuple(truths),
        grid_n=grid_n,
        step_s=step_s,
    )


def make_world(scenario: Scenario, weight_factor: float = 1.0) -> World:
    """Let the scenario happen.

    Parameters
    ----------
    scenario : Scenario
        What shall happen.
    weight_factor : float
        Multiplies every true weight; nothing else changes.

    Returns
    -------
    World
        Deterministic: the same scenario gives the same array.
    """
    signal = scenario.signal
    if signal is None:
        return _world_of_lowerings(scenario, weight_factor)
    title = scenario.scenario.title or signal.kind
    if signal.kind != "csv":
        return World(title, math.inf, weight_factor, signal=signal)
    time_s, force = _read_csv(signal.path)
    step_s = scenario.scenario.step_s
    grid = np.arange(0.0, time_s[-1] + step_s, step_s)
    return World(
        title, grid.size * step_s, weight_factor, (), np.interp(grid, time_s, force), step_s
    )


def truth_dict(world: World) -> dict[str, Any]:
    """Plain values of what is true, for the truth file."""
    return {
        "title": world.title,
        "weight_factor": world.weight_factor,
        "duration_s": None if math.isinf(world.duration_s) else world.duration_s,
        "lowerings": [
            {name: getattr(one, name) for name in one.__dataclass_fields__}
            for one in world.lowerings
        ],
    }
