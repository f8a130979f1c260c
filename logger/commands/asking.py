"""Asking a link who is at its other end, without recording.

Comes in: a transport that is not yet open. Goes out: what the device says of itself. Must not:
start the device, or leave the link open.
"""

from __future__ import annotations

import contextlib
import queue
from typing import TYPE_CHECKING, Final

from logger.clock import Clock

if TYPE_CHECKING:
    from logger.samples import CellInfo
    from logger.transports import Transport

_POLL_S: Final = 0.05


def ask_link(transport: Transport, wait_s: float, clock: Clock) -> CellInfo | None:
    """Open a link, send INFO until it is answered or time is up, close it.

    Parameters
    ----------
    transport : Transport
        With a decoder that encodes requests.
    wait_s : float
        How long to wait for an answer.
    clock : Clock
        Says when to repeat.

    Returns
    -------
    CellInfo or None
        None: nobody answered.

    Raises
    ------
    TransportError
        The link cannot be opened or fails.
    """
    from logger.decoders import open_decoder
    from logger.handshake import Handshake
    from logger.samples import InfoFrame

    reader = open_decoder(transport.decoder)
    handshake = Handshake(reader.encode_request, start=False)
    arrived: queue.SimpleQueue[tuple[bytes, int]] = queue.SimpleQueue()
    transport.start(lambda data, received_ns: arrived.put((data, received_ns)), lambda _: None)
    try:
        begun_ns = clock.boot_ns()
        handshake.link_up(begun_ns)
        while (now_ns := clock.boot_ns()) - begun_ns < wait_s * 1e9:
            for request in handshake.poll(now_ns):
                transport.write(request)
            with contextlib.suppress(queue.Empty):
                for reading in reader.feed(*arrived.get(timeout=_POLL_S)):
                    if isinstance(reading, InfoFrame):
                        handshake.on_reading(reading)
            if handshake.info is not None:
                return handshake.info
    finally:
        transport.stop()
    return None
