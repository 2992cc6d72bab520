"""Strangers: asks an address that the map does not hold who it is, by one connection and known-safe requests.

An echo, then the port of Modbus alone, then Read Device Identification with the unit of a device at its own
address. Nothing is tried that a device may take for an attack, and no other port.
"""

from __future__ import annotations

from probe.collect.survey.ear import Keep
from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.evidence import ConnectOutcome, Framing, Outcome, Purpose, Stray
from probe.model.pdu import following_request, identification_request, pdu_of
from probe.model.profile import Quirks
from probe.wire.connect import link_to
from probe.wire.echo import EchoRight, echo
from probe.wire.link import Request

MODBUS_PORT, UNIT = 502, 255
_CONNECT_S, _ANSWER_S = 2.0, 2.0
_BASIC = 1
_MOST_FRAGMENTS = 4
#: What stands for a stranger's tag: no tag of a map begins so.
MARK = "@"


def mark(address: str) -> str:
    """What stands in place of a tag in the evidence on a stranger."""
    return f"{MARK}{address}"


async def ask_stranger(
    address: str, clock: RunClock, keep: Keep, right: EchoRight, local_address: str | None
) -> None:
    """One echo where it is permitted, one connection, one identification; all of it kept."""
    if right in (EchoRight.RAW, EchoRight.DATAGRAM):
        keep(await echo(address, mark(address), clock, right))

    def stray(one: Stray) -> None:
        keep(one._replace(tag=mark(address)))

    target = Target(address, MODBUS_PORT, UNIT, Framing.MBAP, None, "")
    link = link_to(target, clock, stray, local_address=local_address)
    connect = await link.open(_CONNECT_S)
    keep(connect)
    if connect.outcome is not ConnectOutcome.OPEN:
        return
    try:
        pdu: bytes | None = identification_request(_BASIC, 0)
        for _ in range(_MOST_FRAGMENTS):
            if pdu is None or not link.is_open:
                break
            request = Request(mark(address), Purpose.IDENTITY, 0, 1, UNIT, pdu, _ANSWER_S)
            exchange = await link.exchange(request, Quirks())
            keep(exchange)
            if exchange.outcome is not Outcome.DATA:
                break
            pdu = following_request(pdu, pdu_of(exchange.response, exchange.framing))
    finally:
        ended = await link.close()
        if ended is not None:
            keep(ended)
