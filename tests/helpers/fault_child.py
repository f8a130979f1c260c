"""One process that forks a recorder per fault: a fresh process each, without its start-up.

Run as a script under the shim: a line of JSON comes in (plan, arguments of
``recording_child``, file for its output), a child is forked, and a line with its exit code
or signal goes out.
"""

from __future__ import annotations

import ctypes
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import recording_child
from fault_shim import environment, plan_text


def serve() -> None:
    """Fork for every line, until there are no more."""
    set_plan = ctypes.CDLL(None).fault_plan
    for line in sys.stdin:
        asked = json.loads(line)
        pid = os.fork()
        if pid == 0:
            out = os.open(asked["out"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(out, 1)
            set_plan(asked["plan"].encode())
            code = 70
            try:
                code = recording_child.main(asked["arguments"])
            finally:
                os._exit(code)
        print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)


@dataclass(frozen=True, slots=True)
class Ended:
    """How a forked recorder ended: exit code or minus signal, what it said, where it died."""

    code: int
    acks: dict[int, int]
    last_line: str
    place: str


class Forks:
    """The forking process, seen from a test."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment(folder),
        )

    def record(self, logbook: Path, *options: str, **plan: Any) -> Ended:
        """Record in a new process under a plan, to its end."""
        out, place = self._folder.parent / "said", self._folder.parent / "place"
        place.unlink(missing_ok=True)
        asked = {
            "plan": plan_text(logbook.parent, place=place, **plan),
            "arguments": [str(logbook), *options],
            "out": str(out),
        }
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{json.dumps(asked)}\n")
        self._process.stdin.flush()
        code = int(self._process.stdout.readline())
        said = out.read_text()
        return Ended(
            code,
            acks_in(said),
            (said.splitlines() or [""])[-1],
            place.read_text() if place.exists() else "",
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
        self._process.wait()


def acks_in(said: str) -> dict[int, int]:
    """Last acknowledged index of each stream, whole lines only."""
    lines = said.split("\n")[:-1]
    return {int(s): int(i) for _, s, i in (x.split() for x in lines if x.startswith("ack "))}


if __name__ == "__main__":
    serve()
