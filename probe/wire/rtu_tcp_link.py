"""RTU frames tunnelled in TCP, as transparent gateways speak it: unit, PDU, checksum, no MBAP header."""

from __future__ import annotations

from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.wire.dial import dial
from probe.wire.link import StrayHandler
from probe.wire.rtu_link import RtuLink


class RtuTcpLink(RtuLink):
    """Implements Link for RTU over TCP; see ``rtu_link`` for what counts as an answer."""

    __slots__ = ("_address", "_local_address")

    def __init__(
        self,
        target: Target,
        clock: RunClock,
        on_stray: StrayHandler,
        *,
        local_address: str | None = None,
    ) -> None:
        super().__init__(target.link, clock, on_stray, silence_s=0.0, closes=True)
        self._address = (target.host, target.port)
        self._local_address = local_address

    async def _dial(self) -> None:
        await dial(self, *self._address, local_address=self._local_address)
