"""The decoder of every clock: registers to Unix seconds and to a ``Stamp``, and back.

How the registers are laid out is given by two functions (``clock_codec``, ``clock_fields``).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable

from probe.model.clock_stamp import Stamp, stamp_of
from probe.model.reading import Quality, Value


class ClockDecoder:
    """A clock in registers. ``decode`` and ``encode`` as any decoder; ``stamp`` gives the fields.

    resolution_s: the smallest step that the encoding can show.
    """

    __slots__ = ("_read", "_unavailable", "_write", "registers", "resolution_s")

    def __init__(
        self,
        registers: int,
        resolution_s: float,
        read: Callable[[bytes], Stamp | None],
        write: Callable[[Stamp], bytes],
        unavailable: Iterable[int] = (),
    ) -> None:
        """read: registers to fields, None where impossible; write: the reverse, ValueError if it cannot."""
        self.registers = registers
        self.resolution_s = resolution_s
        self._read = read
        self._write = write
        self._unavailable = tuple(p.to_bytes(2 * registers, "big") for p in unavailable)

    def stamp(self, raw: bytes) -> Stamp | None:
        """The fields that the registers show; None if they are impossible or mean "not available"."""
        return None if raw in self._unavailable else self._read(raw)

    def decode(self, raw: bytes) -> tuple[Value, Quality]:
        """Unix seconds (wall seconds where the zone is local)."""
        if raw in self._unavailable:
            return int.from_bytes(raw, "big"), Quality.NOT_AVAILABLE
        stamp = self._read(raw)
        if stamp is None:
            return int.from_bytes(raw, "big"), Quality.OUT_OF_TYPE
        value = self._seconds(stamp)
        return value, Quality.NOT_AVAILABLE if stamp.invalid else Quality.GOOD

    def _seconds(self, stamp: Stamp) -> int | float:
        if self.resolution_s >= 1:
            return stamp.wall_s
        return (stamp.wall_s * 1000 + stamp.millisecond) / 1000

    def encode(self, value: Value | None) -> bytes:
        """Registers that show Unix seconds, cut down to the resolution."""
        if value is None:
            if not self._unavailable:
                raise ValueError("the clock has no not-available code")
            return self._unavailable[0]
        if isinstance(value, bool | str):
            raise ValueError(f"Unix seconds are needed; found {value!r}")  # noqa: TRY004 - Decoder.encode promises it
        # The double nearest to a whole number of milliseconds may lie just below it: round, then cut.
        seconds, millisecond = divmod(round(value * 1000), 1000)
        try:
            return self.encode_stamp(stamp_of(seconds, millisecond))
        except OverflowError as error:
            raise ValueError(f"{value} lies outside the years 1 to 9999") from error

    def encode_stamp(self, stamp: Stamp) -> bytes:
        """Registers that show the fields, flags included. Raises ValueError if the encoding cannot."""
        try:
            return self._write(stamp)
        except struct.error as error:
            raise ValueError(f"{stamp} does not fit the encoding") from error
