"""A sensor without a clock on a link, simulated: its messages go through the real decoder.

Comes in: a random generator. Goes out: what a recording would keep (the least delayed message
of each quarter second, what the sensor is said to be) and when each sample was really taken.
Latency: a base, exponential jitter, and late seconds: in some of them each message is late by
its own draw, in others all by the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.decoders import Decoded
from logger.decoders.declared import DeclaredDecoder
from logger.logbook.codec import FrameTable, least_delay
from logger.profile import Line, Profile, Sequence, Value
from logger.samples import CellInfo, InfoFrame, SampleFrame

Int64 = NDArray[np.int64]
Floats = NDArray[np.float64]

CHUNK_NS = 250_000_000


@dataclass(frozen=True, slots=True)
class Stream:
    """How a sensor sends, and what the link does to it.

    ``off`` is how far the true rate is from the profile's. A fraction ``bursty`` of the seconds
    brings messages up to ``burst_s`` late: all alike where ``together``.
    """

    span_s: float = 60.0
    rate_hz: float = 50.0
    off: float = 0.0
    base_s: float = 0.0
    jitter_s: float = 0.001
    bursty: float = 0.05
    burst_s: float = 0.1
    together: bool = False
    numbered: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """What is kept of one run, and the truth.

    ``tick_us`` and ``true_ns`` are those of every sample; ``least_tick_us`` and
    ``least_received_ns`` what a logbook's chunks keep. ``true_ns`` lacks the base latency, as
    nothing can bound it: it is when the quickest message possible would have come.
    """

    info: CellInfo
    tick_us: Int64
    true_ns: Int64
    least_tick_us: Int64
    least_received_ns: Int64


def any_stream(rng: np.random.Generator, bursty: float) -> Stream:
    """Draw a sensor and its link."""
    return Stream(
        span_s=float(np.exp(rng.uniform(np.log(12.0), np.log(30.0)))),
        rate_hz=float(np.exp(rng.uniform(np.log(8.0), np.log(30.0)))),
        off=float(rng.uniform(-0.01, 0.01)),
        base_s=float(rng.uniform(0.0, 0.04)),
        jitter_s=float(np.exp(rng.uniform(np.log(1e-4), np.log(5e-3)))),
        bursty=bursty,
        together=bool(rng.integers(2)),
        numbered=bool(rng.integers(2)),
    )


def record(stream: Stream, rng: np.random.Generator) -> Recorded:
    """Run a sensor on a link, decode what comes, keep what a logbook keeps."""
    n = int(stream.span_s * stream.rate_hz)
    taken_s = np.arange(1, n + 1) / (stream.rate_hz * (1 + stream.off))
    late_s = rng.exponential(stream.jitter_s, n) + _bursts_s(stream, taken_s, rng)
    quickest_ns = int(rng.integers(10**9, 10**15)) + np.rint(taken_s * 1e9).astype(np.int64)
    came_ns = np.maximum.accumulate(quickest_ns + np.rint(late_s * 1e9).astype(np.int64))
    info, tick_us, received_ns = _decoded(stream, came_ns + round(stream.base_s * 1e9))
    least = _least(tick_us, received_ns, stream.rate_hz)
    return Recorded(info, tick_us, quickest_ns + round(stream.base_s * 1e9), *least)


def _bursts_s(stream: Stream, taken_s: Floats, rng: np.random.Generator) -> Floats:
    second = taken_s.astype(int)
    bad = rng.random(second[-1] + 1) < stream.bursty
    drawn = rng.uniform(0.0, stream.burst_s, second[-1] + 1 if stream.together else len(taken_s))
    late_s: Floats = np.where(bad[second], drawn[second] if stream.together else drawn, 0.0)
    return late_s


def _decoded(stream: Stream, came_ns: Int64) -> tuple[CellInfo, Int64, Int64]:
    fields = ("v", "k") if stream.numbered else ("v",)
    decoder = DeclaredDecoder(
        Profile(
            name="invented", sample_rate_hz=stream.rate_hz, value=Value(fields=("v",)),
            line=Line(fields=fields), sequence=Sequence(field="k") if stream.numbered else None,
        )
    )  # fmt: skip
    told: list[Decoded] = []
    for k, ns in enumerate(came_ns.tolist()):
        told += decoder.feed(b"1,%d\n" % k if stream.numbered else b"1\n", ns)
    told += decoder.finish(int(came_ns[-1]))
    (info,) = (reading.info for reading in told if isinstance(reading, InfoFrame))
    frames = [(r.tick_us, r.received_ns) for r in told if isinstance(r, SampleFrame)]
    ticks, received = np.array(frames, dtype=np.int64).T
    assert len(ticks) == len(came_ns)
    return info, ticks, received


def _least(tick_us: Int64, received_ns: Int64, rate_hz: float) -> tuple[Int64, Int64]:
    """The least delayed message of each chunk."""
    begins = np.flatnonzero(np.diff(received_ns // CHUNK_NS, prepend=-1))
    kept = []
    for begin, end in zip(begins, [*begins[1:], len(tick_us)], strict=True):
        ticks, came = tick_us[begin:end], received_ns[begin:end]
        tick, delay = least_delay(FrameTable(np.ones_like(ticks), ticks, came), rate_hz)
        kept.append((tick, tick * 1000 + delay))
    least_tick, least_received = np.array(kept, dtype=np.int64).T
    return least_tick, least_received
