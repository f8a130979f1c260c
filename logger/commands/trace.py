"""``ropetally trace``: read the features of any time/force CSV, for records from elsewhere.

Comes in: a CSV file. Goes out: a table or JSON. Must not: write, or touch a logbook.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

import click

from logger.commands.output import WIDTH, json_option, print_json, units_option
from logger.units import UNITS, ForceUnit, format_force

if TYPE_CHECKING:
    from analysis.reading.summary import Features

CAUTION: Final = "A measured load is never permission to stand closer or cut bigger."
_NAME_WIDTH: Final = 22


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--time-column", help="Name or number (from 1) of the column of times.")
@click.option("--force-column", help="Name or number (from 1) of the column of forces.")
@click.option("--time-unit", type=click.Choice(["s", "ms", "us", "min"]), help="Unit of the times.")
@click.option(
    "--force-unit", type=click.Choice(["N", "kN", "kgf", "lbf"]), help="Unit of the forces."
)
@click.option(
    "--rate",
    type=click.FloatRange(min=0, min_open=True),
    help="Samples per second, for a file without times.",
)
@click.option(
    "--calibration-u",
    type=click.FloatRange(0, 20),
    help="Relative standard uncertainty of the calibration, in %.",
)
@click.option("--clip", help="Converter's limit, such as '20 kN'.")
@units_option
@json_option
def command(
    file: Path,
    time_column: str | None,
    force_column: str | None,
    time_unit: str | None,
    force_unit: str | None,
    rate: float | None,
    calibration_u: float | None,
    clip: str | None,
    units: str,
    as_json: bool,
) -> None:
    """Read zero, pretension, release, peak and hang weight from FILE.

    FILE is a CSV of times and forces; lines starting with # are skipped. Columns and units
    are recognised from a header such as time_s,force_n or given by option.
    """
    from analysis.reading.csv_file import Columns, read_csv
    from analysis.reading.features import read_features
    from analysis.reading.trace import Chain, make_trace
    from logger.units import parse

    columns = Columns(
        time=time_column,
        force=force_column,
        time_unit_s=None if time_unit is None else UNITS["time"][time_unit],
        force_unit_n=None if force_unit is None else UNITS["force"][force_unit],
        rate_hz=rate,
    )
    time_s, force_n = read_csv(file, columns)
    chain = Chain(
        calibration_rel_u=(calibration_u or 0.0) / 100.0,
        clip_high_n=None if clip is None else parse(clip, "force"),
    )
    features = read_features(make_trace(time_s, force_n, chain=chain))
    if as_json:
        print_json({"file": str(file), **features.as_json()})
    else:
        click.echo("\n".join(lines_of(features, cast("ForceUnit", units))))


def rows_of(features: Features, unit: ForceUnit) -> list[tuple[str, str]]:
    """Name and value of what was read, in the user's unit."""

    def force(value_n: float | None, u_n: float | None = None) -> str | None:
        return None if value_n is None else format_force(value_n, unit, u_n=u_n)

    def at(text: str | None, time_s: float | None) -> str | None:
        return text if text is None or time_s is None else f"{text} at {time_s:.3f} s"

    least = "at least " if features.peak_is_lower_bound else ""
    peak = at(force(features.peak_n, features.peak_n_u), features.peak_time_s)
    phase = f" ({(features.peak_phase or '').replace('_', '-')})"
    factor = features.dynamic_factor
    rows: list[tuple[str, str | None]] = [
        ("hang weight", force(features.hang_weight_n, features.hang_weight_n_u)),
        ("peak", None if peak is None else f"{least}{peak}{phase}"),
        (
            "pretension, settled",
            force(features.pretension_settled_n, features.pretension_settled_n_u),
        ),
        ("pretension, largest", force(features.pretension_max_n)),
        ("release", at(features.release_kind, features.release_time_s)),
        (
            "release peak",
            at(
                force(features.release_peak_n, features.release_peak_n_u),
                features.release_peak_time_s,
            ),
        ),
        (
            "dynamic factor",
            None if factor is None else f"{factor:.2f} ± {features.dynamic_factor_u:.2f}",
        ),
        ("zero", force(features.zero_n, features.zero_n_u)),
        ("zero drift", force(features.zero_drift_n)),
        (
            "samples",
            f"{features.n_samples} at {features.rate_hz:.0f}/s, {features.n_gaps} "
            + ("gap" if features.n_gaps == 1 else "gaps"),
        ),
    ]
    return [(name, value) for name, value in rows if value is not None]


def lines_of(features: Features, unit: ForceUnit) -> list[str]:
    """Lay the features out for a terminal, flags in words, caution last."""
    from analysis.reading.flags import FLAG_WORDS
    from analysis.reading.uncertainty import SHOCK_NOTE

    lines = [f"{name:<{_NAME_WIDTH}}{value}" for name, value in rows_of(features, unit)]
    spans = [f"{p.name.replace('_', '-')} {p.start_s:.2f}" for p in features.phases]
    if spans:
        lines += _wrapped("phases from (s)", ", ".join(spans))
    for flag in features.flags:
        lines += _wrapped("caution", FLAG_WORDS[flag])
    return [*lines, *textwrap.wrap(f"{CAUTION} {SHOCK_NOTE}", WIDTH)]


def _wrapped(name: str, value: str) -> list[str]:
    start = f"{name:<{_NAME_WIDTH}}"
    return textwrap.wrap(value, WIDTH, initial_indent=start, subsequent_indent=" " * _NAME_WIDTH)
