"""Requests, retries and clock exchanges, in simulated time: no thread, no port, no waiting."""

from __future__ import annotations

import struct
from collections import deque
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decoders import Opcode, open_decoder
from logger.handshake import (
    FIRST_TIMES,
    LOUD_AFTER,
    REFUSED_RETRY_NS,
    RETRY_NS,
    TIME_EVERY_NS,
    Handshake,
    State,
    TimeExchange,
)
from logger.samples import CellInfo, InfoFrame, ReplyFrame
from logger.simcell import wire

MS = 1_000_000
INFO = CellInfo(1, "cell", 11, "1.0", 1_000_000, 1000.0, -9, 9, 0, 0)


class Talk:
    """The host's side: a handshake, its clock, and what it has sent."""

    def __init__(self, *, start: bool = True) -> None:
        self.now_ns = 1_000 * MS
        self.handshake = Handshake(open_decoder("binary").encode_request, start=start)
        self._reader = wire.RequestReader("binary")

    def state(self) -> State:
        return self.handshake.state

    def poll(self) -> list[wire.Request]:
        return [r for sent in self.handshake.poll(self.now_ns) for r in self._reader.feed(sent)]

    def one(self) -> wire.Request:
        (request,) = self.poll()
        return request

    def later(self, ns: int) -> Talk:
        self.now_ns += ns
        return self

    def info(self, request_id: int, boot_id: int = 11) -> None:
        self.handshake.on_reading(
            InfoFrame(request_id, replace(INFO, boot_id=boot_id), self.now_ns)
        )

    def reply(self, request: wire.Request, status: int = 0, payload: bytes = b"") -> None:
        self.handshake.on_reading(
            ReplyFrame(request.opcode, request.request_id, status, payload, self.now_ns)
        )

    def to_running(self) -> Talk:
        self.handshake.link_up(self.now_ns)
        self.info(self.one().request_id)
        self.reply(self.one())
        assert self.handshake.state is State.RUNNING
        return self

    def to_quiet(self) -> Talk:
        """Running, with the first clock exchanges done."""
        self.to_running()
        for _ in range(FIRST_TIMES):
            self.reply(self.one(), payload=struct.pack("<I", 5))
            self.later(RETRY_NS)
        return self


def test_nothing_is_sent_before_the_link_is_up() -> None:
    talk = Talk()
    assert talk.poll() == []
    assert talk.state() is State.IDLE


def test_ask_then_start_then_exchange_clocks() -> None:
    talk = Talk()
    talk.handshake.link_up(talk.now_ns)
    asked = talk.one()
    assert asked.opcode == Opcode.INFO
    talk.info(asked.request_id)
    assert talk.handshake.info == INFO
    started = talk.one()
    assert (started.opcode, talk.state()) == (Opcode.START, State.STARTING)
    talk.reply(started)
    assert talk.state() is State.RUNNING
    assert talk.one().opcode == Opcode.TIME
    assert len({asked.request_id, started.request_id}) == 2


def test_a_device_without_a_clock_is_not_asked_for_its_tick() -> None:
    talk = Talk()
    talk.handshake.link_up(talk.now_ns)
    info = replace(INFO, host_timed=True)
    talk.handshake.on_reading(InfoFrame(talk.one().request_id, info, talk.now_ns))
    talk.reply(talk.one())
    assert talk.state() is State.RUNNING
    assert talk.later(2 * TIME_EVERY_NS).poll() == []


def test_without_start_it_only_asks() -> None:
    talk = Talk(start=False)
    talk.handshake.link_up(talk.now_ns)
    talk.info(talk.one().request_id)
    assert talk.state() is State.RUNNING


@pytest.mark.parametrize("opcode", list(Opcode))
def test_every_request_is_repeated_after_half_a_second_with_the_same_id(opcode: Opcode) -> None:
    talk = Talk()
    talk.handshake.link_up(talk.now_ns)
    request = talk.one()
    if opcode is not Opcode.INFO:
        talk.info(request.request_id)
        request = talk.one()
    if opcode in {Opcode.TIME, Opcode.STOP}:
        talk.reply(request)
        request = talk.one()
    if opcode is Opcode.STOP:
        talk.handshake.stop(talk.now_ns)
        request = talk.one()
    assert request.opcode == opcode
    for _ in range(3):
        assert talk.later(RETRY_NS - 1).poll() == []
        assert talk.later(1).one() == request


def test_silence_is_said_loudly_again_and_again_and_it_keeps_trying() -> None:
    talk = Talk()
    talk.handshake.link_up(talk.now_ns)
    said = []
    sent = 0
    for _ in range(4 * LOUD_AFTER):
        sent += len(talk.poll())
        said += talk.handshake.take_faults()
        talk.later(RETRY_NS)
    assert sent == 4 * LOUD_AFTER
    assert [fault.kind for fault in said] == ["no_reply"] * 3
    assert "INFO" in said[0].detail
    assert said[0].received_ns == 1_000 * MS + LOUD_AFTER * RETRY_NS
    assert talk.handshake.take_faults() == []
    talk.info(talk.later(RETRY_NS).one().request_id)
    assert talk.state() is State.STARTING


def test_answers_to_other_requests_are_not_taken() -> None:
    talk = Talk()
    talk.handshake.link_up(talk.now_ns)
    asked = talk.one()
    talk.info(asked.request_id + 1)
    talk.reply(asked)
    assert (talk.state(), talk.handshake.info) == (State.ASKING, None)
    talk.info(asked.request_id)
    started = talk.one()
    talk.reply(started._replace(opcode=Opcode.STOP))
    talk.reply(started._replace(request_id=99))
    talk.info(asked.request_id)
    assert talk.state() is State.STARTING
    talk.reply(started)
    talk.reply(started)
    assert talk.state() is State.RUNNING


@pytest.mark.parametrize("trip_ms", [1, 40, 499, 1700])
def test_a_clock_exchange_is_bounded_by_half_its_round_trip(trip_ms: int) -> None:
    talk = Talk().to_running()
    begun_ns = talk.now_ns
    request = talk.one()
    for _ in range(trip_ms // 500):
        assert talk.later(RETRY_NS).one() == request
    talk.later(trip_ms * MS - (talk.now_ns - begun_ns))
    talk.reply(request, payload=struct.pack("<I", 77))
    exchange = talk.handshake.newest_exchange
    assert exchange == TimeExchange(77, begun_ns, begun_ns + trip_ms * MS)
    assert exchange.bound_ns == trip_ms * MS / 2
    assert exchange.host_ns == begun_ns + trip_ms * MS // 2


@given(
    there=st.integers(0, 300 * MS),
    back=st.integers(0, 300 * MS),
    answered=st.integers(0, 2),
)
def test_the_true_moment_lies_within_the_bound_whichever_try_was_answered(
    there: int, back: int, answered: int
) -> None:
    talk = Talk().to_running()
    request = talk.one()
    for _ in range(answered):
        assert talk.later(RETRY_NS).one() == request
    read_ns = talk.now_ns + there
    talk.later(there + back)
    talk.reply(request, payload=b"\0\0\0\0")
    exchange = talk.handshake.newest_exchange
    assert exchange is not None
    assert abs(exchange.host_ns - read_ns) <= exchange.bound_ns


def test_clocks_are_exchanged_a_few_times_at_once_then_now_and_then() -> None:
    talk = Talk().to_quiet()
    assert talk.poll() == []
    assert talk.later(TIME_EVERY_NS - RETRY_NS - 1).poll() == []
    assert talk.later(1).one().opcode == Opcode.TIME


def test_a_clock_answer_without_tick_is_a_fault_and_no_exchange() -> None:
    talk = Talk().to_running()
    talk.reply(talk.one(), payload=b"\0")
    assert talk.handshake.newest_exchange is None
    (fault,) = talk.handshake.take_faults()
    assert fault.kind == "bad_length"


def test_a_new_boot_id_starts_the_device_again() -> None:
    talk = Talk().to_quiet()
    talk.info(0, boot_id=12)
    assert talk.handshake.info is not None
    assert talk.handshake.info.boot_id == 12
    started = talk.one()
    assert (started.opcode, talk.state()) == (Opcode.START, State.STARTING)
    talk.reply(started)
    assert talk.one().opcode == Opcode.TIME


def test_the_same_boot_id_again_changes_nothing() -> None:
    talk = Talk().to_quiet()
    talk.info(0)
    assert talk.state() is State.RUNNING
    assert talk.poll() == []


def test_a_boot_during_the_first_question_answers_it() -> None:
    talk = Talk()
    talk.handshake.link_up(talk.now_ns)
    talk.one()
    talk.info(0)
    assert talk.state() is State.STARTING


def test_a_boot_that_nobody_asked_about_is_ignored_while_idle_and_after_stop() -> None:
    talk = Talk()
    talk.info(0)
    assert talk.handshake.info is None
    talk.to_quiet()
    talk.handshake.stop(talk.now_ns)
    talk.info(0, boot_id=12)
    assert talk.state() is State.STOPPING


def test_a_returned_link_begins_again_with_new_ids() -> None:
    talk = Talk().to_quiet()
    talk.handshake.link_down()
    assert talk.state() is State.IDLE
    assert talk.later(5 * RETRY_NS).poll() == []
    talk.handshake.link_up(talk.now_ns)
    asked = talk.one()
    assert (asked.opcode, talk.state()) == (Opcode.INFO, State.ASKING)
    talk.info(asked.request_id)
    assert talk.one().opcode == Opcode.START


def test_stop_is_asked_until_answered() -> None:
    talk = Talk().to_quiet()
    talk.handshake.stop(talk.now_ns)
    request = talk.one()
    assert request.opcode == Opcode.STOP
    talk.reply(request)
    assert talk.state() is State.STOPPED
    assert talk.later(TIME_EVERY_NS).poll() == []
    talk.handshake.stop(talk.now_ns)
    talk.handshake.link_up(talk.now_ns)
    talk.handshake.link_down()
    assert talk.state() is State.STOPPED


@pytest.mark.parametrize(("answer", "end"), [(b"", None), (b"\x34\x12", 0x1234), (b"abc", None)])
def test_where_the_index_ended_is_kept_if_the_device_says_it(
    answer: bytes, end: int | None
) -> None:
    talk = Talk().to_quiet()
    assert talk.handshake.end_index16 is None
    talk.handshake.stop(talk.now_ns)
    talk.reply(talk.one(), payload=answer)
    assert talk.handshake.end_index16 == end


@pytest.mark.parametrize("was_up", [False, True])
def test_stop_without_a_link_is_done_at_once(was_up: bool) -> None:
    talk = Talk()
    if was_up:
        talk.to_quiet()
        talk.handshake.stop(talk.now_ns)
        talk.handshake.link_down()
    else:
        talk.handshake.stop(talk.now_ns)
    assert talk.state() is State.STOPPED


def test_a_refused_start_is_said_and_tried_again_later_under_a_new_id() -> None:
    talk = Talk()
    talk.handshake.link_up(talk.now_ns)
    talk.info(talk.one().request_id)
    refused = talk.one()
    talk.reply(refused, status=3)
    (fault,) = talk.handshake.take_faults()
    assert (fault.kind, fault.detail) == ("refused", "START request 2: status 3")
    assert talk.later(REFUSED_RETRY_NS - 1).poll() == []
    again = talk.later(1).one()
    assert again.opcode == Opcode.START
    assert again.request_id != refused.request_id


def test_a_device_without_time_can_be_recorded() -> None:
    talk = Talk().to_running()
    talk.reply(talk.one(), status=1)
    assert [f.kind for f in talk.handshake.take_faults()] == ["refused"]
    assert talk.state() is State.RUNNING
    assert talk.later(RETRY_NS).poll() == []


def test_a_refused_stop_ends_the_conversation() -> None:
    talk = Talk().to_quiet()
    talk.handshake.stop(talk.now_ns)
    talk.reply(talk.one(), status=1)
    assert talk.state() is State.STOPPED


def test_ids_run_from_1_to_255_and_never_say_unsolicited() -> None:
    talk = Talk()
    seen = []
    for _ in range(300):
        talk.handshake.link_up(talk.now_ns)
        seen.append(talk.one().request_id)
    assert set(seen) == set(range(1, 256))
    assert seen[:2] == [1, 2]
    assert seen[255] == 1


@settings(max_examples=60, deadline=None)
@given(
    lost=st.lists(st.booleans(), max_size=40),
    delays=st.lists(st.integers(0, 900 * MS), min_size=1, max_size=20),
)
def test_any_loss_and_delay_ends_running(lost: list[bool], delays: list[int]) -> None:
    """A link that loses and delays both ways; sooner or later the device runs."""
    talk = Talk()
    talk.handshake.link_up(talk.now_ns)
    losses, on_the_way = deque(lost), list[tuple[int, wire.Request]]()
    for step in range(2000):
        for request in talk.poll():
            if not (losses and losses.popleft()):
                on_the_way.append((talk.now_ns + delays[step % len(delays)], request))
        due = [item for item in on_the_way if item[0] <= talk.now_ns]
        on_the_way = [item for item in on_the_way if item[0] > talk.now_ns]
        for _, request in due:
            if request.opcode == Opcode.INFO:
                talk.info(request.request_id)
            else:
                talk.reply(request, payload=b"\0\0\0\0" if request.opcode == Opcode.TIME else b"")
        if talk.state() is State.RUNNING and talk.handshake.newest_exchange:
            return
        talk.later(20 * MS)
    pytest.fail("never ran")
