"""Evidence: a recorder on a small, really full file system stops, says so, loses nothing.

For each size a tmpfs is mounted in a mount namespace of its own (Linux, as root; that is why
this is no test of CI, where the preload shim's ``ENOSPC`` stands for it), a recorder writes
until the disk takes no more, the file is checked, the tmpfs is made larger and recorded on.
Writes ``small_tmpfs.csv`` beside itself::

    python tests/evidence/small_tmpfs.py
"""

from __future__ import annotations

import csv
import os
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "helpers"))

from recording_child import Recording, losses  # noqa: E402

SIZES_KB = (400, 600, 1000)
CHECKPOINTS_S = ("0.05", "100")
INSIDE = "ROPETALLY_IN_NAMESPACE"


def fill(folder: Path, size_kb: int, checkpoint_s: str) -> dict[str, object]:
    """Fill one tmpfs, make it larger, go on."""
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "none", str(folder)]
    subprocess.run(mount, check=True)
    path = folder / "a.logbook"
    try:
        with Recording(path, "--checkpoint-s", checkpoint_s) as recording:
            code = recording.end()
        lost_full = losses(path, recording.acks)
        subprocess.run(["mount", "-o", "remount,size=16m", str(folder)], check=True)
        with Recording(path, "--batches", "20") as later:
            code_later = later.end()
        lost_later = losses(path, recording.acks | later.acks)
        return {
            "tmpfs_kB": size_kb,
            "checkpoint_s": checkpoint_s,
            "acknowledged_batches": recording.n_acks,
            "exit_full": code,
            "lost_when_full": len(lost_full),
            "exit_with_room_again": code_later,
            "lost_afterwards": len(lost_later),
            "told": recording.last_line.replace(str(folder), "FOLDER"),
        }
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def main() -> None:
    """Enter a mount namespace, then fill every size."""
    if INSIDE not in os.environ:
        again = ["unshare", "--mount", sys.executable, __file__]
        sys.exit(subprocess.run(again, env={**os.environ, INSIDE: "1"}, check=False).returncode)
    rows = []
    with tempfile.TemporaryDirectory() as made:
        for size_kb in SIZES_KB:
            for checkpoint_s in CHECKPOINTS_S:
                rows.append(fill(Path(made), size_kb, checkpoint_s))
                print(rows[-1], flush=True)
    with (HERE / "small_tmpfs.csv").open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
