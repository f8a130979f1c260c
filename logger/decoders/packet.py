"""Bare payloads of radio packets: one call, one packet, nothing to delimit.

Comes in: one notification at a time. Goes out: readings and faults. Must not: do I/O, or
join or cut packets: the radio's own check has passed them whole, and each says how long it
is. Payloads are those of a serial frame (``binary_frame.read_payload``).
"""

from __future__ import annotations

from logger.decoders.base import Decoded
from logger.decoders.binary_frame import read_payload


class PacketDecoder:
    """Reads the notifications of our own service."""

    __slots__ = ()

    def feed(self, data: bytes, received_ns: int) -> list[Decoded]:
        """Take one packet."""
        return [read_payload(data, received_ns)]

    def finish(self, received_ns: int) -> list[Decoded]:  # noqa: ARG002
        """Give nothing: no packet is ever half read."""
        return []

    def encode_request(self, opcode: int, request_id: int, arguments: bytes = b"") -> bytes:
        """Bytes of a request, for the control characteristic."""
        return bytes((opcode, request_id)) + arguments
