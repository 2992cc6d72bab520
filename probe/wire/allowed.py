"""The functions that the collector can send, in one place: reads, and nothing else.

Every link asks here before it sends a byte. A request outside the list is a bug of ours, never a setting:
there is no switch that widens it.
"""

from __future__ import annotations

from probe.model.pdu import READ_DEVICE_ID, READ_LIMITS, read_request, read_span


class WriteRefused(Exception):  # noqa: N818  named in the contract of Link
    """A request that is not a read reached a link: a bug of ours; nothing was sent."""


def ensure_read(pdu: bytes) -> None:
    """Return if the PDU is a well-formed request of the allow-list; WriteRefused otherwise.

    Allowed are Read Coils (1), Read Discrete Inputs (2), Read Holding Registers (3), Read Input Registers
    (4) with a legal quantity, and Read Device Identification (2B/0E). The whole form is checked, not the
    function alone, so that no byte beyond a read ever leaves this computer.
    Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21.
    """
    if pdu[:2] == bytes(READ_DEVICE_ID):
        if len(pdu) == 4 and 1 <= pdu[2] <= 4:
            return
    elif len(pdu) == 5 and pdu[0] in READ_LIMITS:
        try:
            read_request(*read_span(pdu))
        except ValueError as error:
            raise WriteRefused(f"not a legal read: {pdu.hex(' ')} ({error})") from error
        return
    raise WriteRefused(f"not on the allow-list of reads: {pdu[:8].hex(' ') or 'an empty request'}")
