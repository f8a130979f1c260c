"""The one writer thread: takes record items in order, commits them in batches.

Comes in: record items from the pipeline. Goes out: committed batches, an
acknowledgement after each commit, or one failure. Must not: go on after a failure: the
session must stop loudly, and everything acknowledged stays on disk.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Final, Protocol

from logger.errors import LoggerError, RecordingError
from logger.samples import Ack, RecordItem, SamplesPlaced

BATCH_S: Final = 0.25
ROOM_BYTES: Final = 32 * 1024 * 1024
ITEM_BYTES: Final = 200
"""What an item counts for besides its counts and frames."""


class BatchWriter(Protocol):
    """What the recorder needs of a logbook."""

    def write(self, items: Sequence[RecordItem]) -> Sequence[Ack]:
        """Commit the items in one transaction; on return they are on disk."""
        ...


class Recorder:
    """Queue and thread in front of a logbook's writer.

    Parameters
    ----------
    writer : BatchWriter
        Used by the recorder's thread alone.
    on_ack : callable, optional
        Called on that thread after each commit; what it raises is counted
        (``n_ack_failed``) and the recording goes on.
    on_end : callable, optional
        Called on that thread when it ends, failed or not.
    batch_s : float
        Time between commits while the disk keeps up, seconds. A slower disk gets more per
        commit.
    room_bytes : int
        What may wait. :meth:`put` waits for room beyond that, so that loss happens and is
        counted in one place: the queue in front of the pipeline.
    """

    def __init__(
        self,
        writer: BatchWriter,
        *,
        on_ack: Callable[[Sequence[Ack]], None] | None = None,
        on_end: Callable[[], None] | None = None,
        batch_s: float = BATCH_S,
        room_bytes: int = ROOM_BYTES,
    ) -> None:
        self.n_ack_failed = 0
        self._writer = writer
        self._on_ack = on_ack
        self._on_end = on_end
        self._batch_s = batch_s
        self._room_bytes = room_bytes
        self._room = threading.Condition()
        self._waiting: list[RecordItem] = []
        self._waiting_bytes = 0
        self._closing = threading.Event()
        self._failure: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)

    @property
    def failure(self) -> Exception | None:
        """Why the recorder ended before it was closed."""
        return self._failure

    @property
    def waiting_bytes(self) -> int:
        """What waits to be committed."""
        return self._waiting_bytes

    def start(self) -> None:
        """Begin to take items."""
        self._thread.start()

    def put(self, item: RecordItem) -> None:
        """Hand over an item; waits for room while the disk is slow.

        Raises
        ------
        RecordingError
            The recorder has failed or was closed; the item is not on record.
        """
        size = _size(item)
        with self._room:
            while self._waiting_bytes > self._room_bytes and self._failure is None:
                self._room.wait()
            if self._failure is not None or self._closing.is_set():
                raise RecordingError("the recorder has ended; nothing more is stored") from (
                    self._failure
                )
            self._waiting.append(item)
            self._waiting_bytes += size

    def close(self) -> None:
        """Commit what waits and end the thread.

        Raises
        ------
        LogbookWriteError
            The disk did not take a write.
        RecordingError
            The recorder failed in another way.
        """
        with self._room:
            self._closing.set()
        self._thread.join()
        if isinstance(self._failure, LoggerError):
            raise self._failure
        if self._failure is not None:
            raise RecordingError(
                f"the recorder failed ({type(self._failure).__name__}: {self._failure}); "
                "everything acknowledged is in the logbook: run ropetally check"
            ) from self._failure

    def _run(self) -> None:
        try:
            pause_s = self._batch_s
            while not self._closing.wait(pause_s):
                started = time.monotonic()
                self._commit()
                pause_s = max(0.0, self._batch_s - (time.monotonic() - started))
            self._commit()
        except Exception as error:  # noqa: BLE001 - kept, raised by close(), stops the session
            with self._room:
                self._failure = error
                self._waiting.clear()
                self._room.notify_all()
        finally:
            if self._on_end is not None:
                self._on_end()

    def _commit(self) -> None:
        """Write all that waits in one batch."""
        with self._room:
            batch, self._waiting = self._waiting, []
            self._waiting_bytes = 0
            self._room.notify_all()
        if not batch:
            return
        acks = self._writer.write(batch)
        if self._on_ack is None:
            return
        try:
            self._on_ack(acks)
        except Exception:  # noqa: BLE001 - a listener costs no sample
            self.n_ack_failed += 1


def _size(item: RecordItem) -> int:
    """Room that an item takes."""
    if not isinstance(item, SamplesPlaced):
        return ITEM_BYTES
    return ITEM_BYTES + item.counts.nbytes + 3 * item.frames.n.nbytes
