"""The import contracts name every module, so that a new one cannot slip past them."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
CONTRACTS: list[dict[str, Any]] = tomllib.loads(
    (ROOT / "pyproject.toml").read_text(encoding="utf-8")
)["tool"]["importlinter"]["contracts"]
TOP = {
    f"logger.{path.stem}"
    for path in (ROOT / "logger").iterdir()
    if path.name not in {"__init__.py", "__main__.py", "__pycache__"}
} - {"logger.commands"}


def contract(name: str) -> dict[str, Any]:
    (found,) = (entry for entry in CONTRACTS if entry["name"].startswith(name))
    return found


def test_all_of_capture_is_kept_from_the_analysis() -> None:
    assert set(contract("Only the commands")["source_modules"]) == TOP


def test_the_simulated_cell_is_kept_from_all_else() -> None:
    forbidden = set(contract("The simulated cell stands alone")["forbidden_modules"])
    assert forbidden >= TOP - {"logger.simcell"}
