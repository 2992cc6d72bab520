"""RTU on a serial port of this computer (an RS-485 adapter): several units, one at a time.

pymodbus's serial transport carries the bytes (pyserial under asyncio; by polling on Windows, where a serial
port cannot be waited for). Its framer is not used: it hunts for the next header over bytes it cannot read,
and what it passes over would be lost as evidence (docs/decisions/0003).
Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 2.5.1.
"""

from __future__ import annotations

import asyncio
import errno

from probe.model.clock import RunClock
from probe.model.device_map import SerialLine
from probe.model.evidence import ConnectOutcome
from probe.wire.adapters import MOVED, serial_hardware, serial_now
from probe.wire.failure import port_outcome
from probe.wire.link import StrayHandler
from probe.wire.rtu_link import RtuLink

BITS_A_CHARACTER = 11  # start, eight data, parity and stop, or two stop (2.5.1)


def silence_s(baud: int) -> float:
    """Least silence between frames, t3.5, in seconds: 3.5 characters, above 19,200 baud fixed 1.75 ms.

    Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 2.5.1.1.
    """
    return 3.5 * BITS_A_CHARACTER / baud if baud <= 19_200 else 0.001_75


class SerialLink(RtuLink):
    """Implements Link for a serial line; see ``rtu_link`` for what counts as an answer."""

    __slots__ = ("_hardware", "_line")

    def __init__(self, line: SerialLine, clock: RunClock, on_stray: StrayHandler) -> None:
        super().__init__(line.port, clock, on_stray, silence_s=silence_s(line.baud), closes=False)
        self._line = line
        self._hardware: str | None = None  # of the adapter, once the port was opened; empty if not known

    async def _dial(self) -> None:
        try:
            await self._open_port()
        except OSError as error:
            now = await asyncio.to_thread(serial_now, self._hardware, self.name) if self._hardware else ""
            if now:
                text = f"no such port; {MOVED} {now} ({self._hardware}): write that into the map"
                raise FileNotFoundError(errno.ENOENT, text) from error
            raise
        if self._hardware is None:
            self._hardware = await asyncio.to_thread(serial_hardware, self.name)

    async def _open_port(self) -> None:
        from pymodbus.transport.serialtransport import create_serial_connection

        line = self._line
        transport, _ = await create_serial_connection(
            self._loop,
            lambda: self,
            line.port,
            baudrate=line.baud,
            bytesize=8,
            parity=line.parity[0].upper(),
            stopbits=line.stop_bits,
            timeout=0,
        )
        try:
            while self._transport is None:  # noqa: ASYNC110  connection_made is scheduled, not yet called
                await asyncio.sleep(0)
        except asyncio.CancelledError:
            transport.close()
            raise

    def _outcome_of_dialling(self, error: Exception) -> ConnectOutcome:
        return port_outcome(error)

    def _drop(self) -> None:
        """Close the port. The transport does not tell its protocol of an end that was asked for."""
        was_open = self._transport is not None
        super()._drop()
        if was_open:
            self.connection_lost(None)
