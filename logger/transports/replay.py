r"""Raw bytes of a link in a file: writing them down, and playing them back.

Comes in: a file of records (host time, bytes). Goes out: the same bytes at their own pace
or as fast as they are taken. Must not: decode, or raise because a file ends early.

A file begins with ``ROPETALLY-RAW 1\n`` and one line of JSON with the name of the decoder;
then records: host time in ns (i64), length (u32), both little-endian, and the bytes.
"""

from __future__ import annotations

import json
import struct
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO, Final

from logger.clock import Clock
from logger.errors import InputError, TransportError
from logger.samples import Fault
from logger.transports.base import Deliver, Notice, Url, declared_by

MAGIC: Final = b"ROPETALLY-RAW 1\n"
LONGEST_RECORD: Final = 1 << 20
LONGEST_HEADER: Final = 4096
FORMS: Final = ("line", "frame", "registers", "notification")

_RECORD: Final = struct.Struct("<qI")
_SLICE_S: Final = 0.1


def write_raw(path: Path, records: Iterable[tuple[int, bytes]], *, decoder: str = "binary") -> None:
    """Write records to a new raw file.

    Parameters
    ----------
    path : Path
        Must not exist yet.
    records : iterable of (received_ns, bytes)
        In order.
    decoder : str
        Name of the decoder that reads the bytes.
    """
    with path.open("xb") as file:
        file.write(MAGIC + json.dumps({"decoder": decoder}).encode() + b"\n")
        for received_ns, data in records:
            file.write(_RECORD.pack(received_ns, len(data)) + data)


class ReplayTransport:
    """A raw file played back.

    Parameters
    ----------
    url : Url
        Path and options: ``pace=full`` (default) or ``pace=real``, ``decoder`` or
        ``profile``.
    clock : Clock
        Waits at real pace. Host times are the file's, moved so that the first is now.
    """

    answers = False

    def __init__(self, url: Url, clock: Clock) -> None:
        url.allow("pace", "profile")
        declared = declared_by(url, *FORMS)
        self._pace = url.options.get("pace", "full")
        if self._pace not in {"full", "real"}:
            raise TransportError("bad_url", f"{url.text}: pace must be full or real")
        self.url = url.text
        self.ended = False
        self._path = Path(url.path)
        self._chosen = url.options.get("decoder") if declared is None else declared.decoder
        self._stored = "binary"
        self._clock = clock
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def decoder(self) -> str:
        """Named in the URL, else in the file (known once started)."""
        return self._chosen or self._stored

    def start(self, deliver: Deliver, notice: Notice) -> None:
        """Open the file and begin to deliver.

        Raises
        ------
        TransportError
            ``not_found`` or ``no_permission``.
        InputError
            It is no raw file.
        """
        try:
            file = self._path.open("rb")
        except PermissionError as error:
            raise TransportError("no_permission", f"{self._path} may not be read by you") from error
        except OSError as error:
            raise TransportError(
                "not_found", f"{self._path} is not there or is no file: check the path"
            ) from error
        try:
            self._stored = _read_header(file, self._path)
        except BaseException:
            file.close()
            raise
        self._thread = threading.Thread(
            target=self._run, args=(file, deliver, notice), name=f"replay {self._path}", daemon=True
        )
        self._thread.start()

    def write(self, data: bytes) -> None:
        """Refuse: a file does not listen.

        Raises
        ------
        TransportError
            ``write_failed``, always.
        """
        raise TransportError(
            "write_failed", f"{self._path} is a recording; it does not take {len(data)} bytes"
        )

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait for the end of the file; whether it came."""
        if self._thread is not None:
            self._thread.join(timeout_s)
        return self.ended

    def stop(self) -> None:
        """End the thread; again does nothing."""
        self._stopping.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join()

    def _run(self, file: BinaryIO, deliver: Deliver, notice: Notice) -> None:
        start_ns = self._clock.boot_ns()
        notice(Fault("connected", start_ns, 1, f"{self._path}: opened"))
        first_ns: int | None = None
        at_ns = start_ns
        with file:
            for item in _records(file, self._path):
                if self._stopping.is_set():
                    break
                if isinstance(item, str):
                    notice(Fault("bad_length", at_ns, 1, item))
                    continue
                received_ns, data = item
                first_ns = received_ns if first_ns is None else first_ns
                at_ns = start_ns + received_ns - first_ns
                if self._pace == "real" and not self._wait_until(at_ns):
                    break
                deliver(data, at_ns)
        notice(Fault("disconnected", at_ns, 1, f"{self._path}: end of the recording"))
        self.ended = True

    def _wait_until(self, at_ns: int) -> bool:
        """Wait in short slices; False when stopped before."""
        while (left_s := (at_ns - self._clock.boot_ns()) / 1e9) > 0:
            if self._stopping.is_set():
                return False
            self._clock.sleep(min(left_s, _SLICE_S))
        return True


def _read_header(file: BinaryIO, path: Path) -> str:
    """Read the first two lines: name of the decoder."""
    if file.read(len(MAGIC)) != MAGIC:
        raise InputError(f"{path}: offset 0: no raw recording of this program, or a newer one")
    line = file.readline(LONGEST_HEADER)
    try:
        header = json.loads(line)
        decoder = header["decoder"]
    except (ValueError, TypeError, KeyError) as error:
        raise InputError(
            f"{path}: offset {len(MAGIC)}: expected a JSON line with decoder"
        ) from error
    if not isinstance(decoder, str):
        raise InputError(f"{path}: offset {len(MAGIC)}: decoder must be a name")
    return decoder


def _records(file: BinaryIO, path: Path) -> Iterator[tuple[int, bytes] | str]:
    """Give the records; a text about the place where the file makes no sense ends them."""
    while True:
        offset = file.tell()
        head = file.read(_RECORD.size)
        if not head:
            return
        if len(head) < _RECORD.size:
            yield f"{path}: offset {offset}: the file ends inside a record's head"
            return
        received_ns, n = _RECORD.unpack(head)
        if n > LONGEST_RECORD:
            yield f"{path}: offset {offset}: a record of {n} bytes; the file is damaged from here"
            return
        data = file.read(n)
        if len(data) < n:
            if data:
                yield received_ns, data
            yield f"{path}: offset {offset}: the file ends {n - len(data)} bytes short of a record"
            return
        yield received_ns, data
