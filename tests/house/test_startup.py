"""Nothing heavy on start-up, and every command explains itself."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from logger.commands import COMMANDS

HEAVY = (
    "scipy",
    "pandas",
    "matplotlib",
    "numpy",
    "serial",
    "msgspec",
    "rich",
    "sqlite3",
    "analysis",
)


def loaded_after(*calls: tuple[str, ...]) -> set[str]:
    """Top-level modules in ``sys.modules`` after calls of the command line in one process."""
    code = (
        "import sys, json\n"
        "from logger.commands.main import main\n"
        f"for call in {calls!r}:\n"
        "    sys.argv = ['ropetally', *call]\n"
        "    try:\n        main()\n"
        "    except SystemExit as stop:\n        assert not stop.code, (call, stop.code)\n"
        "print('\\n' + json.dumps(sorted({m.split('.')[0] for m in sys.modules})))\n"
    )
    plain = {name: value for name, value in os.environ.items() if not name.startswith("COV")}
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, env=plain
    )
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_help_imports_nothing_heavy() -> None:
    assert loaded_after(("--help",)).isdisjoint(HEAVY)


def test_help_of_each_command_stays_light() -> None:
    calls = [(name, "--help") for name in sorted(COMMANDS)]
    heavy = loaded_after(*calls) & {"scipy", "pandas", "matplotlib"}
    assert not heavy, [call for call in calls if loaded_after(call) & heavy]


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_each_command_has_one_line_of_help_in_the_table(name: str) -> None:
    text = COMMANDS[name][1]
    assert text.endswith(".")
    assert len(text) <= 70
