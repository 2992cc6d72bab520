"""Clock encodings: registers to Unix seconds and to the fields that the device shows, and back.

The value is Unix seconds: a whole number where the encoding has no sub-second part, else a float (a
double holds Unix time to better than a microsecond until far beyond 2100). **A stamp without a zone is
read as if it were UTC ("wall seconds").** When the profile's ``clock.zone`` is ``local``, whoever compares
it must first convert with the map's zone: ``wall seconds -> Unix seconds`` is the judge's work.

Named encodings (``ENCODINGS``); letters of ``order`` apply to the counts of seconds only:

    unix_s               u32 (2 registers) seconds since 1970        unix_s_64   u64 (4 registers)
    unix_ms_64           u64 milliseconds since 1970
    unix_s_ms            u32 seconds since 1970, then one register of milliseconds
    since_2000_s         u32 seconds since 2000-01-01
    since_1900_s         u32 seconds since 1900-01-01 (NTP; below 2208988800 it is era 1, from 2036)
    since_1900_fraction  NTP 64 bit: u32 seconds since 1900, u32 fraction
    cp56_octets          CP56Time2a, octet 1 first, high byte first       55D1 1A09 CE03 1A00
    cp56_octets_swapped  octet 1 first, but in the low byte               D155 091A 03CE 001A
    cp56_fields          year | month,dow+day | hour,minute | ms          001A 03CE 091A D155
    ymdhms, ymdhms_ms    one register each
    ym_dh_ms             two a register: year-2000,month | day,hour | minute,second
    fields               field by field, as the profile lists them (``fields:``)

Field by field: see ``clock_fields``.

CP56Time2a is laid out in ``clock_cp56``. IV (invalid) set: the device itself says that its time cannot be
trusted; the quality is NOT_AVAILABLE and the value still shows what it said. SU (summer time) is a flag only:
whether the hour already includes it is the device's habit, so it is told, not applied. Impossible fields
(month 0 or 13, hour 25, 60000 ms, all zeros) are OUT_OF_TYPE; the value is then the bit pattern.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Sequence

from probe.model.clock_cp56 import read_cp56, write_cp56
from probe.model.clock_decoder import ClockDecoder
from probe.model.clock_fields import fields_clock
from probe.model.clock_stamp import Stamp, stamp_of
from probe.model.word_order import WordOrder, default_order, parse_order

SINCE_1900_S = 2_208_988_800  # RFC 5905, Figure 4: Unix epoch in NTP seconds
SINCE_2000_S = 946_684_800
ERA_S = 1 << 32

# --- counts of seconds ---------------------------------------------------------------------------------


def _counted(wall_s: int, millisecond: int = 0) -> Stamp | None:
    try:
        return stamp_of(wall_s, millisecond)._replace(weekday=0)
    except OverflowError:
        return None


def _seconds_clock(order: WordOrder, code: str, epoch_s: int, unavailable: Iterable[int]) -> ClockDecoder:
    """Seconds since an epoch, as one number."""
    pack = struct.Struct(">" + code)
    era = ERA_S if epoch_s == -SINCE_1900_S else 0

    def read(raw: bytes) -> Stamp | None:
        count: int = pack.unpack(order.to_plain(raw))[0]
        return _counted((count + era if era and count < SINCE_1900_S else count) + epoch_s)

    def write(stamp: Stamp) -> bytes:
        count = stamp.wall_s - epoch_s
        return order.to_wire(pack.pack(count - era if era and count >= era else count))

    return ClockDecoder(pack.size // 2, 1.0, read, write, unavailable)


def _milliseconds_clock(order: WordOrder, unavailable: Iterable[int]) -> ClockDecoder:
    """Milliseconds since 1970 in 64 bit."""

    def read(raw: bytes) -> Stamp | None:
        return _counted(*divmod(int.from_bytes(order.to_plain(raw), "big"), 1000))

    def write(stamp: Stamp) -> bytes:
        return order.to_wire(struct.pack(">Q", stamp.wall_s * 1000 + stamp.millisecond))

    return ClockDecoder(4, 0.001, read, write, unavailable)


def _split_clock(order: WordOrder, unavailable: Iterable[int]) -> ClockDecoder:
    """u32 seconds since 1970 and a register of milliseconds."""

    def read(raw: bytes) -> Stamp | None:
        seconds, millisecond = struct.unpack(">IH", order.to_plain(raw[:4]) + raw[4:])
        return _counted(seconds, millisecond) if millisecond < 1000 else None

    def write(stamp: Stamp) -> bytes:
        return order.to_wire(struct.pack(">I", stamp.wall_s)) + struct.pack(">H", stamp.millisecond)

    return ClockDecoder(3, 0.001, read, write, unavailable)


def _fraction_clock(order: WordOrder, unavailable: Iterable[int]) -> ClockDecoder:
    """NTP timestamp: u32 seconds since 1900, u32 fraction of a second; shown to the millisecond.

    Source: RFC 5905, 6 (timestamp format) and Figure 4 (eras).
    """

    def read(raw: bytes) -> Stamp | None:
        seconds = int.from_bytes(order.to_plain(raw[:4]), "big")
        fraction = int.from_bytes(order.to_plain(raw[4:]), "big")
        seconds += ERA_S if seconds < SINCE_1900_S else 0
        return _counted(seconds - SINCE_1900_S, fraction * 1000 >> 32)

    def write(stamp: Stamp) -> bytes:
        seconds = (stamp.wall_s + SINCE_1900_S) % ERA_S
        # Rounded up, so that reading it back gives the same millisecond.
        fraction = -(-(stamp.millisecond << 32) // 1000)
        return order.to_wire(struct.pack(">I", seconds)) + order.to_wire(struct.pack(">I", fraction))

    return ClockDecoder(4, 0.001, read, write, unavailable)


# --- CP56Time2a ----------------------------------------------------------------------------------------


def _as_they_come(raw: bytes) -> bytes:
    return raw


def _backwards(raw: bytes) -> bytes:
    return raw[::-1]


def _byte_swapped(raw: bytes) -> bytes:
    return b"".join(raw[i : i + 2][::-1] for i in range(0, len(raw), 2))


def _cp56_clock(arrange: Callable[[bytes], bytes], unavailable: Iterable[int]) -> ClockDecoder:
    """CP56Time2a in four registers; ``arrange`` is its own inverse."""

    def read(raw: bytes) -> Stamp | None:
        return read_cp56(arrange(raw))

    def write(stamp: Stamp) -> bytes:
        return arrange(write_cp56(stamp) + b"\0")

    return ClockDecoder(4, 0.001, read, write, unavailable)


# --- by name -------------------------------------------------------------------------------------------

#: Encodings that are one number (registers); ``order`` applies to them.
COUNTED = {
    "unix_s": 2, "unix_s_64": 4, "unix_ms_64": 4, "unix_s_ms": 3,
    "since_2000_s": 2, "since_1900_s": 2, "since_1900_fraction": 4,
}  # fmt: skip
CP56 = {"cp56_octets": _as_they_come, "cp56_octets_swapped": _byte_swapped, "cp56_fields": _backwards}
NAMED_FIELDS = {
    "ymdhms": ("year", "month", "day", "hour", "minute", "second"),
    "ymdhms_ms": ("year", "month", "day", "hour", "minute", "second", "millisecond"),
    "ym_dh_ms": ("year/month", "day/hour", "minute/second"),
}
ENCODINGS = (*COUNTED, *CP56, *NAMED_FIELDS, "fields")


def clock_registers(encoding: str, fields: Sequence[str] = ()) -> int:
    """How many registers the encoding takes. Raises KeyError for an unknown name."""
    if encoding == "fields":
        return len(fields)
    return COUNTED.get(encoding) or (4 if encoding in CP56 else len(NAMED_FIELDS[encoding]))


def make_clock(
    encoding: str,
    *,
    family: str = "ABCD",
    fields: Sequence[str] = (),
    bcd: bool = False,
    unavailable: Iterable[int] = (),
) -> ClockDecoder:
    """The decoder of a named encoding.

    family: one of ABCD, CDAB, BADC, DCBA, for the counts of seconds. fields: for ``fields`` only.
    unavailable: bit patterns of all registers together that mean "no time".
    Raises ValueError for an unknown name or impossible fields.
    """
    if encoding in CP56:
        return _cp56_clock(CP56[encoding], unavailable)
    if encoding in NAMED_FIELDS or encoding == "fields":
        return fields_clock(NAMED_FIELDS.get(encoding, fields), bcd=bcd, unavailable=unavailable)
    if encoding not in COUNTED:
        raise ValueError(f"{encoding} is no clock encoding; known are {', '.join(ENCODINGS)}")
    return _counted_clock(encoding, family, unavailable)


def _counted_clock(encoding: str, family: str, unavailable: Iterable[int]) -> ClockDecoder:
    if encoding in ("unix_s_64", "unix_ms_64"):
        wide = parse_order(default_order(family, 4), 4)
        if encoding == "unix_ms_64":
            return _milliseconds_clock(wide, unavailable)
        return _seconds_clock(wide, "Q", 0, unavailable)
    order = parse_order(family, 2)
    if encoding == "unix_s_ms":
        return _split_clock(order, unavailable)
    if encoding == "since_1900_fraction":
        return _fraction_clock(order, unavailable)
    epoch_s = {"unix_s": 0, "since_2000_s": SINCE_2000_S, "since_1900_s": -SINCE_1900_S}[encoding]
    return _seconds_clock(order, "I", epoch_s, unavailable)
