"""The wheel holds exactly what git holds of the two packages."""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def git_files(*folders: str) -> set[str]:
    listed = subprocess.run(
        ["git", "ls-files", "-z", *folders], cwd=ROOT, check=True, capture_output=True, text=True
    )
    return {name for name in listed.stdout.split("\0") if name and (ROOT / name).exists()}


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_wheel_from_a_clean_export_holds_what_git_holds(tmp_path: Path) -> None:
    export = tmp_path / "export"
    export.mkdir()
    archive = tmp_path / "tree.tar"
    names = sorted(git_files())
    with tarfile.open(archive, "w") as tar:
        for name in names:
            tar.add(ROOT / name, name)
    with tarfile.open(archive) as tar:
        tar.extractall(export, filter="data")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--outdir", tmp_path / "dist", export],
        check=True,
        capture_output=True,
    )
    (wheel,) = (tmp_path / "dist").glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        inside = {name for name in packed.namelist() if ".dist-info/" not in name}
    assert inside == git_files("logger", "analysis")
