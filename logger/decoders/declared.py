"""Sensors that a profile describes: bytes to readings.

Comes in: bytes, and a profile. Goes out: who the sensor is (as the profile says), data
frames and faults. Must not: do I/O, or raise because of what the bytes hold.

Such a sensor answers no requests: the decoder says who it is before its first samples, and
again after the link was down; :attr:`DeclaredDecoder.commands` start and stop it.
"""

from __future__ import annotations

import math

from logger.decoders.arrival import ByArrival
from logger.decoders.base import Commands, Decoded
from logger.decoders.messages import Message, make_parser
from logger.decoders.numbering import ByTick, Numbering
from logger.profile import Profile
from logger.samples import CellInfo, Fault, InfoFrame, SampleFrame

DECLARED_VERSION = 255
"""Stands for the wire version of a sensor that a profile describes."""


class DeclaredDecoder:
    """Reads what a profile describes.

    Parameters
    ----------
    profile : Profile
        As :func:`~logger.profile_file.load_profile` gives it.
    """

    __slots__ = ("_before", "_known", "_numbering", "_parser", "_polled", "commands", "profile")

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.commands = Commands(profile.start_bytes, profile.stop_bytes)
        self._parser = make_parser(profile)
        self._numbering: Numbering = ByArrival(profile) if profile.tick is None else ByTick(profile)
        self._polled = profile.registers is not None
        self._before: tuple[object, object] | None = None
        self._known = False

    def feed(self, data: bytes, received_ns: int) -> list[Decoded]:
        """Take bytes as they came and return what can be placed by now."""
        items = self._parser.feed(data, received_ns)
        if self._polled:
            items = [item for item in items if not self._was_read(item)]
        return self._introduced(self._numbering.take(items, len(data), received_ns), received_ns)

    def finish(self, received_ns: int) -> list[Decoded]:
        """Give what is held back, report what is half read; say again who it is afterwards."""
        left = self._parser.finish(received_ns)
        told = self._introduced(self._numbering.finish(), received_ns)
        self._known = False
        return told + [item for item in left if isinstance(item, Fault)]

    def encode_request(self, opcode: int, request_id: int, arguments: bytes = b"") -> bytes:
        """Give nothing: the sensor answers no requests."""
        del opcode, request_id, arguments
        return b""

    def _was_read(self, item: Message | Fault) -> bool:
        """Whether registers were read again before the sensor had a new sample."""
        if isinstance(item, Fault) or (item.sequence is None and item.tick is None):
            return False
        place = (item.sequence, item.tick)
        same, self._before = place == self._before, place
        return same

    def _introduced(self, decoded: list[Decoded], received_ns: int) -> list[Decoded]:
        """Put who it is before the first samples."""
        if self._known or not any(isinstance(reading, SampleFrame) for reading in decoded):
            return decoded
        self._known = True
        return [InfoFrame(0, self.info(), received_ns), *decoded]

    def info(self) -> CellInfo:
        """Say what is known of the sensor."""
        profile, numbering = self.profile, self._numbering
        low, high = profile.value.low, profile.value.high
        resolution = profile.value.resolution
        return CellInfo(
            wire_version=DECLARED_VERSION,
            device_id=profile.name,
            boot_id=0,
            firmware=f"profile {profile.crc:08x}",
            tick_rate_hz=1_000_000,
            sample_rate_hz=numbering.rate_hz,
            count_min=-(2**31) if low is None else math.ceil(low / resolution),
            count_max=2**31 - 1 if high is None else math.floor(high / resolution),
            filter_delay_us=profile.filter_delay_us,
            jitter_bound_us=numbering.jitter_us,
            n_per_count=profile.n_per_count,
            rel_u=profile.value.rel_u or 0.0,
            remark="; ".join(remarks(profile)),
            host_timed=profile.tick is None,
        )


def remarks(profile: Profile) -> list[str]:
    """Say what has to be known of a stream from such a sensor."""
    said = []
    if profile.tick is None:
        said.append("timed on the host, its jitter estimated at the start")
    if profile.sequence is None and profile.tick is not None:
        said.append("no sequence: gaps are told by its tick")
    elif profile.sequence is None:
        said.append("no sequence: a loss shorter than 0.25 s or 10 messages cannot be seen")
    if profile.check is None and profile.registers is None and profile.notification is None:
        said.append("no check sum: a damaged value cannot be told from a good one")
    return said
