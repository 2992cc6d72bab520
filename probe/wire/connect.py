"""Which link speaks to a target: by the map's framing and address, never by guessing on the wire."""

from __future__ import annotations

from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.evidence import Framing
from probe.wire.link import Link, StrayHandler
from probe.wire.tcp_link import TcpLink


def link_to(
    target: Target, clock: RunClock, on_stray: StrayHandler, *, local_address: str | None = None
) -> Link:
    """A closed link to the target; open it before use.

    Targets with the same ``target.link`` (units behind one gateway, devices on one serial port) share one
    link: make it once and send each request with its own unit.
    local_address: address of the network interface to use; the system chooses if None.
    """
    if target.serial is not None:
        from probe.wire.serial_link import SerialLink

        return SerialLink(target.serial, clock, on_stray)
    if target.framing is Framing.RTU:
        from probe.wire.rtu_tcp_link import RtuTcpLink

        return RtuTcpLink(target, clock, on_stray, local_address=local_address)
    return TcpLink(target, clock, on_stray, local_address=local_address)
