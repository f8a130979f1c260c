"""Evidence: every fault test fails once its protection is taken out of the program.

For each row the tree is copied, one protection is replaced in the copy, and the fault's tests
run there: they must fail, and the same tests must pass in an untouched copy. Writes
``protection_removed.csv`` beside itself::

    python tests/evidence/protection_removed.py

The table is renewed row by row. ``--only TEXT`` runs the rows whose fault or protection contains
TEXT.
"""

from __future__ import annotations

import argparse
import csv
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from removed_protections import REMOVALS, Removal

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
LIMIT_S = 400
COLUMNS = ("fault", "protection removed", "tests", "with it", "without it", "first failure")


@dataclass(frozen=True, slots=True)
class Ran:
    """How a run of tests ended."""

    passed: bool
    first_failure: str


def copied(folder: Path) -> Path:
    """The last commit, unpacked."""
    tree, packed = folder / "tree", folder / "tree.tar"
    names = ["logger", "analysis", "tests", "sample_logs", "pyproject.toml", "README.md"]
    subprocess.run(["git", "archive", "-o", str(packed), "HEAD", *names], cwd=ROOT, check=True)
    shutil.unpack_archive(packed, tree)
    return tree


def remove(tree: Path, removal: Removal) -> None:
    """Replace the protection; each piece must stand there exactly once."""
    for name, old, new in removal.edits:
        path = tree / name
        text = path.read_text()
        if text.count(old) != 1:
            sys.exit(f"{removal.protection}: {text.count(old)} times in {name}: {old!r}")
        path.write_text(text.replace(old, new))


def run(tree: Path, tests: tuple[str, ...]) -> Ran:
    """Run tests of a copy against the package in the copy."""
    env = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    where = "import logger; print(logger.__file__)"
    found = subprocess.run(
        [sys.executable, "-c", where], cwd=tree, env=env, check=True, capture_output=True, text=True
    )
    if not found.stdout.startswith(str(tree)):
        sys.exit(f"the copy would not be tested, but {found.stdout.strip()}")
    program = str(Path(sys.executable).with_name("pytest"))
    try:
        done = subprocess.run(
            [program, "-q", "-x", "-p", "no:cacheprovider", "-m", "slow or not slow", "--timeout",
             "150", "--tb=line", *tests],
            cwd=tree, env=env, check=False, capture_output=True, text=True, timeout=LIMIT_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return Ran(passed=False, first_failure="did not end")
    if done.returncode not in {0, 1}:
        sys.exit(f"pytest {tests}: exit {done.returncode}\n{done.stdout}{done.stderr}")
    failed = re.findall(r"^FAILED (\S+)", done.stdout, flags=re.MULTILINE)
    return Ran(done.returncode == 0, failed[0].split("::", 1)[1] if failed else "")


def write(rows: list[tuple[str, ...]]) -> None:
    """Renew the rows that were run; those of protections that are no longer listed go."""
    table = HERE / "protection_removed.csv"
    known = {row[:2]: row for row in rows}
    if table.exists():
        with table.open(newline="") as file:
            known = {(row[0], row[1]): tuple(row) for row in csv.reader(file)} | known
    listed = [(removal.fault, removal.protection) for removal in REMOVALS]
    with table.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(known[key] for key in listed if key in known)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--only", default="")
    only = parser.parse_args().only
    chosen = [r for r in REMOVALS if only in r.fault or only in r.protection]
    rows: list[tuple[str, ...]] = []
    untouched: dict[tuple[str, ...], Ran] = {}
    for removal in chosen:
        began = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            tree = copied(Path(folder))
            if removal.tests not in untouched:
                untouched[removal.tests] = run(tree, removal.tests)
            remove(tree, removal)
            without = run(tree, removal.tests)
        before = untouched[removal.tests]
        said = ["passes" if ran.passed else "FAILS" for ran in (before, without)]
        rows.append(
            (removal.fault, removal.protection, " ".join(removal.tests), *said,
             without.first_failure)
        )  # fmt: skip
        write(rows)
        print(f"{time.monotonic() - began:5.0f} s  {said}  {removal.protection}", flush=True)
    shown = sum(row[3:5] == ("passes", "FAILS") for row in rows)
    print(f"{shown} of {len(rows)} protections are shown to be needed by their tests")


if __name__ == "__main__":
    main()
