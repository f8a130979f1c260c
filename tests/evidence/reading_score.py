"""Evidence: the reader against generated lowerings with known truth.

Seeded; writes a table beside itself::

    python tests/evidence/reading_score.py --out tests/evidence/reading_score.md
    python tests/evidence/reading_score.py --set unseen --out tests/evidence/reading_unseen.md

``--set frozen`` (as without) are the lowerings that the reader was tuned on, ``--set wide`` a
development set drawn more widely, which may be tuned on too, ``--set unseen`` those that
nobody tunes on. ``--cache DIR`` keeps the generated lowerings there, so that a
second run only reads; each set needs a directory of its own.
"""

from __future__ import annotations

import argparse
import pickle
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from multiprocessing import Pool
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "helpers"))

from lowering_generator import COUNT, SEED, Lowering, Truth, make_lowering  # noqa: E402
from lowering_generator_unseen import COUNT as UNSEEN_COUNT  # noqa: E402
from lowering_generator_unseen import SEED as UNSEEN_SEED  # noqa: E402
from lowering_generator_unseen import make_unseen  # noqa: E402
from lowering_generator_wide import COUNT as WIDE_COUNT  # noqa: E402
from lowering_generator_wide import SEED as WIDE_SEED  # noqa: E402
from lowering_generator_wide import make_wide  # noqa: E402
from reading_marks import FLAGS, GOALS, Mark, figures, mark  # noqa: E402

from analysis.reading.features import read_features  # noqa: E402
from analysis.reading.trace import Trace  # noqa: E402


@dataclass(frozen=True, slots=True)
class Lowerings:
    """A set of generated lowerings: who makes one, how many there are, what they are."""

    make: Callable[[int], Lowering]
    count: int
    seed: int
    words: str


SETS = {
    "frozen": Lowerings(
        make_lowering, COUNT, SEED, "`tests/helpers/lowering_generator.py`, frozen 2026-11-25"
    ),
    "wide": Lowerings(
        make_wide,
        WIDE_COUNT,
        WIDE_SEED,
        "`tests/helpers/lowering_generator_wide.py`, a development set that may be tuned on",
    ),
    "unseen": Lowerings(
        make_unseen,
        UNSEEN_COUNT,
        UNSEEN_SEED,
        "`tests/helpers/lowering_generator_unseen.py`, frozen 2026-11-26 and never tuned on",
    ),
}


def lowering(number: int, chosen: Lowerings, cache: Path | None) -> tuple[Trace, Truth]:
    """Generated, or from the cache that an earlier run of this script wrote."""
    kept = None if cache is None else cache / f"{number}.pkl"
    if kept is not None and kept.exists():
        trace, truth = pickle.loads(kept.read_bytes())
        return trace, truth
    made = chosen.make(number)
    if kept is not None:
        kept.write_bytes(pickle.dumps((made.trace, made.truth)))
    return made.trace, made.truth


def mark_number(number: int, name: str, cache: Path | None) -> Mark:
    """Read and mark one lowering of a set."""
    trace, truth = lowering(number, SETS[name], cache)
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


def report(marks: Sequence[Mark], chosen: Lowerings) -> str:
    """The whole table."""
    bound = [m.bound_kept for m in marks if m.truth.flags & {"clipped", "gap_in_peak"}]
    kept = f"{sum(bool(b) for b in bound)} of {len(bound)}"
    head = f"""# The reader against generated lowerings

{len(marks)} lowerings (seed {chosen.seed}) of {chosen.words};
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
    parser.add_argument("--set", choices=sorted(SETS), default="frozen")
    parser.add_argument("--count", type=int, help="only the first so many")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--out", type=Path, default=HERE / "reading_score.md")
    args = parser.parse_args()
    if args.cache is not None:
        args.cache.mkdir(parents=True, exist_ok=True)
    chosen = SETS[args.set]
    one = partial(mark_number, name=args.set, cache=args.cache)
    with Pool(args.jobs) as pool:
        marks = pool.map(one, range(args.count or chosen.count), chunksize=4)
    args.out.write_text(report(marks, chosen))


if __name__ == "__main__":
    main()
