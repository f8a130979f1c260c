"""Install everything into a virtual environment and run every check and test.

Inside a virtual environment (as ``.ci/run`` calls it) that one is used; otherwise
``.venv-tests`` is made beside this folder. Only the standard library is needed to start.
``--quick`` leaves out the slow tier and the coverage report.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
COUNTED = ("--cov", "--cov-report=", "--cov-fail-under=0", "-m", "not slow and not no_cover")
TWO_AT_ONCE = ("-n", "2", "--dist", "loadfile")
STEPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("format", ("ruff", "format", "--check", ".")),
    ("lint", ("ruff", "check", ".")),
    ("types", ("mypy",)),
    ("layers", ("lint-imports",)),
    ("tests", ("pytest", *TWO_AT_ONCE)),
    ("slow tests", ("pytest", "-m", "slow and not whole_machine", *TWO_AT_ONCE)),
    ("slow tests, one at a time", ("pytest", "-m", "slow and whole_machine")),
    ("tests, counting coverage", ("pytest", *COUNTED, *TWO_AT_ONCE)),
    ("coverage", ("coverage", "report")),
)
QUICK = ("format", "lint", "types", "layers", "tests")


def environment_bin() -> Path:
    """Folder of the environment's programs; makes the environment when needed."""
    if sys.prefix != sys.base_prefix:
        return Path(sys.executable).parent
    home = ROOT / ".venv-tests"
    venv.create(home, with_pip=True, clear=True)
    return home / ("Scripts" if os.name == "nt" else "bin")


def main() -> int:
    """Run all steps; the first that fails decides the exit code."""
    programs = environment_bin()
    env = dict(os.environ, PATH=f"{programs}{os.pathsep}{os.environ['PATH']}")
    install = [str(programs / "python"), "-m", "pip", "install", "--quiet", f"{ROOT}[test]"]
    subprocess.run(install, check=True, env=env, cwd=ROOT)
    for name, command in STEPS:
        if "--quick" in sys.argv and name not in QUICK:
            continue
        print(f"=== {name}: {' '.join(command)}", flush=True)
        started = time.monotonic()
        done = subprocess.run([programs / command[0], *command[1:]], env=env, cwd=ROOT, check=False)
        print(f"=== {name}: exit {done.returncode}, {time.monotonic() - started:.0f} s", flush=True)
        if done.returncode:
            return done.returncode
    return 0


if __name__ == "__main__":
    sys.exit(main())
