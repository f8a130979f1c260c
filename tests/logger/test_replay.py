"""Raw recordings: written, played back at full speed and at their own pace, and damaged."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputError, TransportError
from logger.samples import Fault
from logger.transports import open_transport
from logger.transports.replay import LONGEST_RECORD, MAGIC, ReplayTransport, write_raw

RECORDS = [(5_000_000_000, b"one"), (5_250_000_000, b""), (6_000_000_000, b"three\x00")]
HEAD = len(MAGIC + b'{"decoder": "binary"}\n')


class TestClock:
    """Moves only when somebody sleeps."""

    __test__ = False

    def __init__(self) -> None:
        self.now_ns = 100_000_000_000
        self.slept: list[float] = []
        self.on_sleep: threading.Event | None = None

    def boot_ns(self) -> int:
        return self.now_ns

    def awake_ns(self) -> int:
        return self.now_ns

    def wall_ns(self) -> int:
        return self.now_ns

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        if self.on_sleep is None:
            self.now_ns += round(seconds * 1e9)
        else:
            self.on_sleep.set()


def play(url: str, clock: TestClock) -> tuple[list[tuple[bytes, int]], list[Fault]]:
    transport = open_transport(url, clock)
    assert isinstance(transport, ReplayTransport)
    chunks: list[tuple[bytes, int]] = []
    notices: list[Fault] = []
    transport.start(lambda data, at_ns: chunks.append((data, at_ns)), notices.append)
    assert transport.wait(60)
    transport.stop()
    transport.stop()
    return chunks, notices


@pytest.fixture
def raw(tmp_path: Path) -> Path:
    path = tmp_path / "capture.raw"
    write_raw(path, RECORDS)
    return path


EXPECTED = [(b"one", 100_000_000_000), (b"", 100_250_000_000), (b"three\x00", 101_000_000_000)]


def test_full_speed_keeps_the_spacing_and_waits_for_nothing(raw: Path) -> None:
    clock = TestClock()
    chunks, notices = play(f"file:{raw}", clock)
    assert chunks == EXPECTED
    assert clock.slept == []
    assert [fault.kind for fault in notices] == ["connected", "disconnected"]
    assert notices[1].detail.endswith("end of the recording")


def test_real_pace_waits_as_long_as_it_took(raw: Path) -> None:
    clock = TestClock()
    chunks, _ = play(f"file:{raw}?pace=real", clock)
    assert chunks == EXPECTED
    assert sum(clock.slept) == pytest.approx(1.0)
    assert max(clock.slept) <= 0.1


def test_stop_ends_a_wait(raw: Path) -> None:
    clock = TestClock()
    clock.on_sleep = threading.Event()
    transport = open_transport(f"file:{raw}?pace=real", clock)
    chunks: list[bytes] = []
    transport.start(lambda data, _: chunks.append(data), lambda _: None)
    assert clock.on_sleep.wait(60)
    transport.stop()
    assert chunks == [b"one"]
    assert transport.ended


def test_stop_ends_full_speed(tmp_path: Path) -> None:
    path = tmp_path / "long.raw"
    write_raw(path, [(i, b"x") for i in range(1000)])
    transport = open_transport(f"file:{path}", TestClock())
    held, seen = threading.Event(), threading.Event()

    def deliver(data: bytes, at_ns: int) -> None:
        seen.set()
        assert held.wait(60)

    notices: list[Fault] = []
    transport.start(deliver, notices.append)
    assert seen.wait(60)
    stopper = threading.Thread(target=transport.stop)
    stopper.start()
    assert isinstance(transport, ReplayTransport)
    assert transport._stopping.wait(60)
    held.set()
    stopper.join(60)
    assert transport.ended


def test_decoder_from_the_file_or_the_url(tmp_path: Path) -> None:
    path = tmp_path / "lines.raw"
    write_raw(path, [], decoder="ascii")
    for url, decoder in ((f"file:{path}", "ascii"), (f"file:{path}?decoder=binary", "binary")):
        transport = open_transport(url, TestClock())
        transport.start(lambda *_: None, lambda _: None)
        transport.stop()
        assert transport.decoder == decoder
        assert not transport.answers


def test_a_recording_takes_no_requests(raw: Path) -> None:
    with pytest.raises(TransportError) as caught:
        open_transport(f"file:{raw}").write(b"abc")
    assert caught.value.reason == "write_failed"


def test_never_over_a_file_that_exists(raw: Path) -> None:
    with pytest.raises(FileExistsError):
        write_raw(raw, [])


@pytest.mark.parametrize(
    ("cut", "says", "left"),
    [
        (HEAD + 7, f"offset {HEAD}: the file ends inside a record's head", []),
        (HEAD + 12, f"offset {HEAD}: the file ends 3 bytes short", []),
        (HEAD + 14, f"offset {HEAD}: the file ends 1 bytes short", [b"on"]),
        (HEAD + 27 + 14, f"offset {HEAD + 27}: the file ends 4 bytes short", [b"one", b"", b"th"]),
    ],
)
def test_a_truncated_tail_is_reported(raw: Path, cut: int, says: str, left: list[bytes]) -> None:
    raw.write_bytes(raw.read_bytes()[:cut])
    chunks, notices = play(f"file:{raw}", TestClock())
    assert [data for data, _ in chunks] == left
    (bad,) = [fault for fault in notices if fault.kind == "bad_length"]
    assert str(raw) in bad.detail
    assert says in bad.detail
    assert notices[-1].kind == "disconnected"


def test_a_record_of_impossible_length_is_reported(raw: Path) -> None:
    data = bytearray(raw.read_bytes())
    data[HEAD + 8 : HEAD + 12] = (LONGEST_RECORD + 1).to_bytes(4, "little")
    raw.write_bytes(data)
    chunks, notices = play(f"file:{raw}", TestClock())
    assert chunks == []
    assert f"offset {HEAD}" in notices[1].detail


@given(tail=st.binary(max_size=200))
def test_arbitrary_tails_end_the_replay_without_a_raise(
    tmp_path_factory: pytest.TempPathFactory, tail: bytes
) -> None:
    path = tmp_path_factory.mktemp("raw") / "x.raw"
    path.write_bytes(MAGIC + b'{"decoder": "binary"}\n' + tail)
    _, notices = play(f"file:{path}", TestClock())
    assert notices[-1].kind == "disconnected"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "offset 0"),
        (b"SQLite format 3\x00....", "offset 0"),
        (MAGIC, f"offset {len(MAGIC)}"),
        (MAGIC + b"not json\n", f"offset {len(MAGIC)}"),
        (MAGIC + b"[1]\n", f"offset {len(MAGIC)}"),
        (MAGIC + b"{}\n", f"offset {len(MAGIC)}"),
        (MAGIC + b'{"decoder": 3}\n', "decoder must be a name"),
        (MAGIC + b"\xff\xfe\n", f"offset {len(MAGIC)}"),
    ],
)
def test_a_file_that_is_no_recording(tmp_path: Path, data: bytes, says: str) -> None:
    path = tmp_path / "x.raw"
    path.write_bytes(data)
    with pytest.raises(InputError, match=says):
        open_transport(f"file:{path}").start(lambda *_: None, lambda _: None)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for path in (tmp_path / "missing", tmp_path):
        with pytest.raises(TransportError) as caught:
            open_transport(f"file:{path}").start(lambda *_: None, lambda _: None)
        assert caught.value.reason == "not_found"


def test_a_file_that_may_not_be_read(raw: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, *_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(TransportError) as caught:
        open_transport(f"file:{raw}").start(lambda *_: None, lambda _: None)
    assert caught.value.reason == "no_permission"
