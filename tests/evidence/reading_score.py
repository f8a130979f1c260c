"""Evidence: the reader against the frozen generator of lowerings with known truth.

Seeded; writes a table beside itself::

    python tests/evidence/reading_score.py --out tests/evidence/reading_score.md

``--cache DIR`` keeps the generated lowerings there, so that a second run only reads.
"""

from __future__ import annotations

import argparse
import pickle
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from functools import partial
from multiprocessing import Pool
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "helpers"))

from lowering_generator import COUNT, SEED, Truth, make_lowering  # noqa: E402
from reading_marks import FLAGS, GOALS, Mark, figures, mark  # noqa: E402

from analysis.reading.features import read_features  # noqa: E402
from analysis.reading.trace import Trace  # noqa: E402


def lowering(number: int, cache: Path | None) -> tuple[Trace, Truth]:
    """Generated, or from the cache that an earlier run of this script wrote."""
    kept = None if cache is None else cache / f"{number}.pkl"
    if kept is not None and kept.exists():
        trace, truth = pickle.loads(kept.read_bytes())
        return trace, truth
    made = make_lowering(number)
    if kept is not None:
        kept.write_bytes(pickle.dumps((made.trace, made.truth)))
    return made.trace, made.truth


def mark_number(number: int, cache: Path | None) -> Mark:
    """Read and mark one lowering."""
    trace, truth = lowering(number, cache)
    return mark(read_features(trace), truth)


def _percent(value: float | None) -> str:
    return "not given" if value is None else f"{100.0 * value:.2f}"


def _rows(groups: dict[str, list[Mark]]) -> Iterable[str]:
    keys = list(figures([]))
    yield "| | n | " + " | ".join(key.replace("_", " ") for key in keys) + " |"
    yield "|---|---|" + "---|" * len(keys)
    for name, marks in groups.items():
        told = figures(marks)
        yield f"| {name} | {len(marks)} | " + " | ".join(_percent(told[k]) for k in keys) + " |"


def _grouped(marks: Sequence[Mark], *names: str) -> dict[str, list[Mark]]:
    out: dict[str, list[Mark]] = {}
    for m in marks:
        key = " ".join(str(getattr(m.truth, name)) for name in names)
        out.setdefault(key, []).append(m)
    return dict(sorted(out.items()))


def _goal_rows(marks: Sequence[Mark]) -> Iterable[str]:
    yield "| figure (%) | from | to | measured | n | met |"
    yield "|---|---|---|---|---|---|"
    for name, key, chosen, low, high in GOALS:
        mine = [m for m in marks if chosen(m)]
        value = figures(mine)[key]
        met = value is not None and low <= value <= high
        word = "yes" if met else "no"
        yield f"| {name} | {100 * low:g} | {100 * high:g} | {_percent(value)} | {len(mine)} | {word} |"


def _flag_rows(marks: Sequence[Mark]) -> Iterable[str]:
    ought = Counter(name for m in marks for name in m.truth.flags)
    missed = Counter(name for m in marks for name in m.missed_flags)
    false = Counter(name for m in marks for name in m.false_flags)
    yield "| flag | ought to stand | stands | stands without cause |"
    yield "|---|---|---|---|"
    for name in FLAGS:
        yield f"| {name} | {ought[name]} | {ought[name] - missed[name]} | {false[name]} |"


def _wrong_rows(marks: Sequence[Mark]) -> Iterable[str]:
    wrong = Counter(name for m in marks for name in m.wrong)
    yield "Phases placed wrongly: " + (
        ", ".join(f"{name} {count}" for name, count in wrong.most_common()) or "none"
    )
    yield ""
    for m in marks:
        if m.wrong and not m.doubted:
            t = m.truth
            yield f"* {t.number}: {t.method}, {t.station}, {t.rate_hz:g} /s: {', '.join(m.wrong)}"


def report(marks: Sequence[Mark]) -> str:
    """The whole table."""
    bound = [m.bound_kept for m in marks if m.truth.flags & {"clipped", "gap_in_peak"}]
    kept = f"{sum(bool(b) for b in bound)} of {len(bound)}"
    head = f"""# The reader against generated lowerings

{len(marks)} lowerings of `tests/helpers/lowering_generator.py` (seed {SEED}, frozen 2026-11-25),
made by `tests/evidence/reading_score.py`. Figures in per cent; a hang weight under a tight tag
line is not scored; a peak that is a lower bound (clipped, or lost in a gap) is scored as one:
kept in {kept}. Rule for phases: `wrong_phases` in `tests/helpers/reading_marks.py`.
"""
    lines = [
        head,
        "## Goals",
        "",
        *_goal_rows(marks),
        "",
        "## By method and station",
        "",
        *_rows(_grouped(marks, "method", "station")),
        "",
        "## By rate",
        "",
        *_rows(_grouped(marks, "rate_hz")),
        "",
        "## Flags",
        "",
        *_flag_rows(marks),
        "",
        "## Wrong phases without a flag",
        "",
        *_wrong_rows(marks),
    ]
    return "\n".join(lines).rstrip() + "\n"


def main() -> None:
    """Run and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=COUNT)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--out", type=Path, default=HERE / "reading_score.md")
    args = parser.parse_args()
    if args.cache is not None:
        args.cache.mkdir(parents=True, exist_ok=True)
    with Pool(args.jobs) as pool:
        marks = pool.map(partial(mark_number, cache=args.cache), range(args.count), chunksize=4)
    args.out.write_text(report(marks))


if __name__ == "__main__":
    main()
