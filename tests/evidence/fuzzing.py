"""Evidence: a coverage-guided fuzzer finds no input that breaks a promise.

Every target of ``tests/helpers/fuzz_targets.py`` runs in a child process of its own under
atheris (libFuzzer), seeded, for a number of inputs; a crash or an input slower than 2 s is
kept in the table. Needs ``pip install -e '.[test,evidence]'``; writes ``fuzzing.csv`` beside
itself::

    python tests/evidence/fuzzing.py
"""

from __future__ import annotations

import argparse
import csv
import re
import subprocess
import sys
import tempfile
import time
from importlib import import_module
from pathlib import Path

HERE = Path(__file__).resolve().parent
SLOW_S = 2
EARLY = [
    f"logger.decoders.{name}" for name in ("binary_frame", "ascii_line", "packet", "sig_force")
]
"""Modules that are only imported when used, so too late to be watched."""
_DONE = re.compile(r"#(\d+)\s+DONE\s+cov: (\d+) ft: (\d+)")
_RUNS = {"logbook": 20, "job sheet": 10, "profile file": 10}
"""These inputs cost more: so many times fewer of them."""


def child(name: str, arguments: list[str]) -> None:
    """Fuzz one target in this process; does not return."""
    sys.path.insert(0, str(HERE.parent / "helpers"))
    import atheris

    with atheris.instrument_imports(include=["logger"]):
        for module in EARLY:
            import_module(module)
        import fuzz_targets

    atheris.Setup([sys.argv[0], *arguments], fuzz_targets.TARGETS[name][0])
    atheris.Fuzz()


def fuzz(name: str, seeds: tuple[bytes, ...], runs: int, seed: int) -> dict[str, object]:
    """Run one target in a child; what came of it."""
    with tempfile.TemporaryDirectory() as made:
        corpus = Path(made)
        for i, data in enumerate(seeds):
            (corpus / f"seed{i}").write_bytes(data)
        begun_s = time.monotonic()
        limits = [f"-runs={runs}", f"-seed={seed}", f"-timeout={SLOW_S}", "-max_len=2000"]
        done = subprocess.run(
            [sys.executable, __file__, "--child", name, *limits, f"-artifact_prefix={made}/", made],
            capture_output=True,
            text=True,
            check=False,
        )
        found = _DONE.search(done.stderr)
        crashes = [*corpus.glob("crash-*"), *corpus.glob("timeout-*"), *corpus.glob("oom-*")]
        for crash in crashes:
            print(f"{name}: {crash.name}: {crash.read_bytes()!r}\n{done.stderr[-3000:]}")
        return {
            "target": name,
            "inputs": int(found[1]) if found else 0,
            "code_points_reached": int(found[2]) if found else 0,
            "combinations_reached": int(found[3]) if found else 0,
            "inputs_that_broke_a_promise": len(crashes),
            "exit": done.returncode,
            "seconds": round(time.monotonic() - begun_s),
        }


def main() -> None:
    """Run all and write the table."""
    if sys.argv[1:2] == ["--child"]:
        child(sys.argv[2], sys.argv[3:])
        return
    sys.path.insert(0, str(HERE.parent / "helpers"))
    import fuzz_targets

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=400_000)
    parser.add_argument("--seed", type=int, default=260_712)
    parser.add_argument("--out", type=Path, default=HERE)
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    rows = []
    for name, (_, seeds) in fuzz_targets.TARGETS.items():
        if args.only in name:
            rows.append(fuzz(name, seeds, args.runs // _RUNS.get(name, 1), args.seed))
            print(rows[-1], flush=True)
    with (args.out / "fuzzing.csv").open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
