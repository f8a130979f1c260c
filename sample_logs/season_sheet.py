"""The job sheet of an invented job as plain tables, and where its cell sits.

Comes in: a job of the table and its pieces as written. Goes out: the sheet. Must not: know
anything hidden.
"""  # noqa: INP001 - a script's module, not a package

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from season_jobs import (
    CALIBRATION_ERROR,
    COUNTS_PER_N,
    CREW,
    METHOD_OF,
    ROPES,
    ZERO_COUNTS,
    SeasonJob,
)

from logger.simcell import scenario as world

Tables = dict[str, Any]
DROPS: Final = ("snub", "run")
LEAD_M: Final = 1.0
LONG_LEAD_M: Final = 2.0
SPAN_BELOW_M: Final = 4.0
FALL_M: Final[Mapping[str, float]] = {
    "span": 9.0, "butt": 10.0, "tip": 10.0, "swing": 8.0, "snub": 8.0, "run": 8.0,
}  # fmt: skip


def sheet_of(job: SeasonJob, pieces: list[Tables]) -> Tables:
    """Put the sheet together."""
    stiffness_n, diameter_m, remark = ROPES[job.rope]
    slope = COUNTS_PER_N * (1.0 - CALIBRATION_ERROR)
    note = "Invented job of an invented crew."
    return {
        "job": {
            "name": job.name, "crew": CREW, "date": job.date,
            "note": f"{note} {job.note}".strip(),
        },
        "cell": [{
            "name": "cell-1", "calibrated_by": "Siskin", "calibrated": "2026-04-02",
            "calibration_rel_u": 0.004, "overload_n": "20 kN",
            "points": [
                {"force_n": 0.0, "counts": ZERO_COUNTS},
                {"force_n": "10 kN", "counts": ZERO_COUNTS + round(10_000.0 * slope)},
            ],
        }],
        "rope": [{
            "name": job.rope, "stiffness_n": stiffness_n, "dynamic_factor": 1.4,
            "damping_ratio": 0.1, "diameter_m": diameter_m, "note": remark,
        }],
        "limit": [
            {
                "on": job.rope, "kind": "working_limit", "force_n": "5.5 kN", "by": "Siskin",
                "entered": "2026-04-02", "note": "breaking strength 55 kN over a factor of 10",
            },
            {
                "on": "high block", "kind": "peak_allowance", "force_n": "16 kN", "by": "Siskin",
                "entered": "2026-04-02",
            },
        ],
        "rig": [_rig_table(job, kind) for kind in dict.fromkeys(job.methods)],
        "piece": pieces,
    }  # fmt: skip


def _rig_table(job: SeasonJob, kind: str) -> Tables:
    fall_m = FALL_M[kind]
    top_m = fall_m + 1.0
    nodes: list[Tables] = [
        {"name": "device", "role": "device", "x_m": 0.0, "z_m": 1.0, "contact": "wrap"},
        {
            "name": "high block", "role": "high_block", "x_m": 0.0, "z_m": top_m,
            "efficiency": 0.9,
        },
    ]  # fmt: skip
    rig: Tables = {
        "name": kind, "method": METHOD_OF[kind], "rope": job.rope, "fall_length_m": fall_m,
    }  # fmt: skip
    if kind == "span":
        rig["rope_length_m"] = 10.1
        nodes += [
            {
                "name": "piece block", "role": "piece_block", "x_m": 3.0,
                "z_m": top_m - SPAN_BELOW_M, "efficiency": 0.94,
            },
            {
                "name": "far anchor", "role": "anchor", "x_m": 6.0, "z_m": top_m,
                "contact": "fixed",
            },
        ]  # fmt: skip
    else:
        rig["lead_length_m"] = LEAD_M if kind in DROPS else LONG_LEAD_M
        rig["tag_line"] = kind not in DROPS
    if kind == "run":
        rig |= {"wraps": 2.0, "wrap_friction": 0.15}
    rig["station"] = station_of(job, kind)
    rig["nodes"] = nodes
    return rig


def station_of(job: SeasonJob, kind: str) -> Tables:
    """Where the cell sits, as the sheet says it."""
    if kind != "span":
        return {"name": "rope end at the piece", "mount": "end", "leg": "lead",
                "cell_length_m": 0.25}  # fmt: skip
    if job.span_cell == "far anchor":
        return {"name": "far anchor end", "mount": "end", "node": "far anchor",
                "cell_length_m": 0.25}  # fmt: skip
    return {"name": "piece block sling", "mount": "sling", "node": "piece block",
            "cell_length_m": 0.25}  # fmt: skip


def world_station(job: SeasonJob, kind: str) -> world.StationName:
    """Name the same place in the world's words."""
    if kind != "span":
        return "lead"
    return "standing" if job.span_cell == "far anchor" else "piece"
