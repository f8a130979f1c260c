"""The recorder: order, batches, room, and loud failure."""

from __future__ import annotations

import threading
from collections.abc import Sequence

import numpy as np
import pytest

from logger.errors import LogbookWriteError, RecordingError
from logger.recorder import Recorder
from logger.samples import Ack, FaultNoted, RecordItem, SamplesPlaced, placed_frame


def samples(first_index: int, n: int = 4) -> SamplesPlaced:
    return placed_frame(
        1, first_index, first_index * 1000, np.zeros(n, np.int32), first_index * 1_000_000
    )


class Writer:
    """Keeps batches; can be held up, and can fail."""

    def __init__(self) -> None:
        self.batches: list[list[RecordItem]] = []
        self.gate = threading.Event()
        self.gate.set()
        self.entered = threading.Event()
        self.error: Exception | None = None

    def write(self, items: Sequence[RecordItem]) -> tuple[Ack, ...]:
        self.entered.set()
        assert self.gate.wait(60)
        if self.error is not None:
            raise self.error
        self.batches.append(list(items))
        last = [i.first_index + len(i.counts) - 1 for i in items if isinstance(i, SamplesPlaced)]
        return (Ack(1, max(last)),) if last else ()


def test_everything_is_written_once_in_order() -> None:
    writer = Writer()
    acks: list[Ack] = []
    recorder = Recorder(writer, on_ack=acks.extend, batch_s=0.001)
    recorder.start()
    sent = [samples(4 * i) for i in range(200)]
    for item in sent:
        recorder.put(item)
    recorder.close()
    assert [item for batch in writer.batches for item in batch] == sent
    assert acks[-1] == Ack(1, 799)
    assert [a.last_index for a in acks] == sorted({a.last_index for a in acks})
    assert recorder.failure is None


def test_a_slow_disk_gets_more_per_commit() -> None:
    writer = Writer()
    writer.gate.clear()
    recorder = Recorder(writer, batch_s=0.001)
    recorder.start()
    recorder.put(samples(0))
    assert writer.entered.wait(60)
    for i in range(1, 50):
        recorder.put(samples(4 * i))
    writer.gate.set()
    recorder.close()
    assert [len(batch) for batch in writer.batches] == [1, 49]


def test_put_waits_for_room_and_goes_on() -> None:
    writer = Writer()
    writer.gate.clear()
    recorder = Recorder(writer, batch_s=0.001, room_bytes=1000)
    recorder.start()
    recorder.put(samples(0))
    assert writer.entered.wait(60)
    through = threading.Event()

    def fill() -> None:
        for i in range(1, 20):
            recorder.put(samples(4 * i))
        through.set()

    filler = threading.Thread(target=fill)
    filler.start()
    while recorder.waiting_bytes <= 1000:
        through.wait(0.001)
    assert not through.wait(0.05)
    writer.gate.set()
    filler.join(60)
    recorder.close()
    assert sum(len(batch) for batch in writer.batches) == 20


@pytest.mark.parametrize(
    ("error", "expected"),
    [(LogbookWriteError("disk full"), LogbookWriteError), (ValueError("bug"), RecordingError)],
)
def test_a_failed_write_ends_everything_loudly(error: Exception, expected: type[Exception]) -> None:
    writer = Writer()
    acks: list[Ack] = []
    ended = threading.Event()
    recorder = Recorder(writer, on_ack=acks.extend, on_end=ended.set, batch_s=0.001)
    recorder.start()
    recorder.put(samples(0))
    while not acks:
        ended.wait(0.001)
    writer.error = error
    recorder.put(samples(4))
    assert ended.wait(60)
    assert recorder.failure is error
    with pytest.raises(RecordingError, match="nothing more is stored"):
        recorder.put(samples(8))
    with pytest.raises(expected, match=r"disk full|ropetally check"):
        recorder.close()
    assert acks == [Ack(1, 3)]


def test_a_put_that_waits_for_room_learns_of_the_failure() -> None:
    writer = Writer()
    writer.gate.clear()
    recorder = Recorder(writer, batch_s=0.001, room_bytes=300)
    recorder.start()
    recorder.put(samples(0))
    assert writer.entered.wait(60)
    writer.error = LogbookWriteError("disk full")
    refused: list[RecordingError] = []

    def fill() -> None:
        try:
            for i in range(1, 20):
                recorder.put(samples(4 * i))
        except RecordingError as error:
            refused.append(error)

    filler = threading.Thread(target=fill)
    filler.start()
    while recorder.waiting_bytes <= 300:
        filler.join(0.001)
    writer.gate.set()
    filler.join(60)
    assert len(refused) == 1
    with pytest.raises(LogbookWriteError):
        recorder.close()


def test_a_listener_that_raises_costs_nothing() -> None:
    writer = Writer()

    def listener(_: Sequence[Ack]) -> None:
        raise BrokenPipeError

    recorder = Recorder(writer, on_ack=listener, batch_s=0.001)
    recorder.start()
    recorder.put(FaultNoted(None, "a", "bad_crc", 0, 1, ""))
    recorder.close()
    assert recorder.n_ack_failed == 1
    assert len(writer.batches) == 1


def test_nothing_is_taken_after_close() -> None:
    recorder = Recorder(Writer(), batch_s=0.001)
    recorder.start()
    recorder.close()
    with pytest.raises(RecordingError):
        recorder.put(samples(0))
