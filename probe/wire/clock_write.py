"""The one write of this program: a device's clock. Its allow-list stands apart from that of the reads.

A permit names a unit and the registers of its clock, as its profile defines them; it is made for one device
after somebody confirmed that its clock is to be set. A link made here sends, beside reads, writes within the
permit and nothing else; every other link refuses any write (``allowed``). There is no way to a permit but
through a profile's ``clock: write:``, so that no other register can be written, whatever is asked.
Source: MODBUS Application Protocol Specification V1.1b3, 6.6, 6.12.
"""

from __future__ import annotations

from typing import NamedTuple

from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.evidence import Exchange, Framing, Purpose
from probe.model.profile import ClockWrite, Quirks
from probe.model.write_pdu import WRITE_ONE, is_write, write_span
from probe.wire import mbap
from probe.wire.allowed import WriteRefused, ensure_read
from probe.wire.link import Link, Request, StrayHandler
from probe.wire.rtu_link import RtuLink
from probe.wire.rtu_tcp_link import RtuTcpLink
from probe.wire.serial_link import SerialLink
from probe.wire.tcp_link import TcpLink


class Permit(NamedTuple):
    """What may be written: with this function these registers of this unit, and its latch with this value.

    start, end: PDU addresses, end excluded. latch: address and value, None without one.
    """

    unit: int
    function: int
    start: int
    end: int
    latch: tuple[int, int] | None


def permit_of(unit: int, rule: ClockWrite, shift: int = 0) -> Permit:
    """The permit to set the clock of one device. shift: its ``register_shift``."""
    start = rule.start + shift
    latch = None if rule.latch is None else (rule.latch.start + shift, rule.latch.value)
    return Permit(unit, rule.function, start, start + rule.registers, latch)


def ensure_clock_write(request: Request, permit: Permit) -> None:
    """Return if the request writes what the permit names, for the purpose of setting a clock.

    Raises WriteRefused otherwise: a bug of ours; nothing was sent.
    """
    try:
        span = write_span(request.pdu)
    except ValueError as error:
        raise WriteRefused(str(error)) from error
    if request.purpose is not Purpose.CLOCK_SET or request.unit != permit.unit:
        raise WriteRefused(f"a write to unit {request.unit} that nobody confirmed: {request.pdu.hex(' ')}")
    if span.function == WRITE_ONE and (span.start, int.from_bytes(span.data, "big")) == permit.latch:
        return
    inside = permit.start <= span.start and span.start + span.registers <= permit.end
    if span.function != permit.function or not inside:
        raise WriteRefused(f"a write outside the clock's registers: {request.pdu.hex(' ')}")


def _check(request: Request, permit: Permit) -> None:
    """What every request over a link made here must pass."""
    if is_write(request.pdu):
        ensure_clock_write(request, permit)
    else:
        ensure_read(request.pdu)


class _TcpClockLink(TcpLink):
    """Modbus TCP with the permit to write one clock."""

    __slots__ = ("_permit",)

    converse = None  # type: ignore[assignment]  # each request is checked by itself

    def allow(self, permit: Permit) -> None:
        self._permit = permit

    async def exchange(self, request: Request, quirks: Quirks) -> Exchange:
        """As ``TcpLink.exchange``; a write within the permit is sent as well."""
        _check(request, self._permit)
        return await super().exchange(request, quirks)

    def _shape(self, unit: int, pdu: bytes) -> tuple[bytes, bytes, int]:  # type: ignore[override]
        if is_write(pdu):  # the reply is checked on the slow road
            return mbap.build(0, unit, pdu)[2:], b"", 0
        return TcpLink._shape(unit, pdu)


class _RtuClockLink(RtuLink):
    """What both carriers of RTU frames need for it. (No slots: two classes with slots cannot be joined.)"""

    _permit: Permit

    def allow(self, permit: Permit) -> None:
        self._permit = permit

    async def exchange(self, request: Request, quirks: Quirks) -> Exchange:
        """As ``RtuLink.exchange``; a write within the permit is sent as well."""
        _check(request, self._permit)
        return await super().exchange(request, quirks)

    def _ensure(self, pdu: bytes) -> None:
        if not is_write(pdu):
            ensure_read(pdu)


class _RtuTcpClockLink(_RtuClockLink, RtuTcpLink):
    """RTU over TCP with the permit to write one clock."""


class _SerialClockLink(_RtuClockLink, SerialLink):
    """A serial line with the permit to write one clock."""


def clock_write_link(target: Target, clock: RunClock, on_stray: StrayHandler, permit: Permit) -> Link:
    """A closed link that sends reads, and the writes that the permit names."""
    link: _TcpClockLink | _RtuTcpClockLink | _SerialClockLink
    if target.serial is not None:
        link = _SerialClockLink(target.serial, clock, on_stray)
    elif target.framing is Framing.RTU:
        link = _RtuTcpClockLink(target, clock, on_stray)
    else:
        link = _TcpClockLink(target, clock, on_stray)
    link.allow(permit)
    return link
