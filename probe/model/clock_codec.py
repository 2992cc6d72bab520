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

Field by field: each entry is one register, ``high/low`` packs two a register; names are year, month, day,
weekday, hour, minute, second, millisecond, second_ms (milliseconds of the minute, 0..59999) and unused.
A year below 100 counts from 2000.

CP56Time2a (Source: IEC 60870-5-4, 6.8, as quoted by open-source libraries):

    octet   bit 8   7    6    5    4    3    2    1
    1, 2    milliseconds of the minute 0..59999, low octet first
    3       IV      RES  minute 0..59
    4       SU      RES  RES  hour 0..23
    5       day of week 1..7, 0 unused (8..6)   day 1..31 (5..1)
    6       RES     RES  RES  RES  month 1..12
    7       RES     year 0..99

IV (invalid) set: the device itself says that its time cannot be trusted; the quality is NOT_AVAILABLE and
the value still shows what it said. SU (summer time) is a flag only: whether the hour already includes it is
the device's habit, so it is told, not applied. Impossible fields (month 0 or 13, hour 25, 60000 ms, all
zeros) are OUT_OF_TYPE; the value is then the bit pattern.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

from probe.model.reading import Quality, Value
from probe.model.word_order import WordOrder, default_order, parse_order

SINCE_1900_S = 2_208_988_800  # RFC 5905, Figure 4: Unix epoch in NTP seconds
SINCE_2000_S = 946_684_800
ERA_S = 1 << 32

FIELD_NAMES = (
    "year", "month", "day", "weekday", "hour", "minute", "second", "millisecond", "second_ms", "unused",
)  # fmt: skip
_NEEDED = ("year", "month", "day", "hour", "minute")


class Stamp(NamedTuple):
    """What a clock shows, field by field.

    weekday: 1 Monday .. 7 Sunday, 0 where it is not shown. invalid: the device says "do not trust me".
    summer: its summer-time flag, None where the encoding has none.
    """

    year: int
    month: int
    day: int
    hour: int
    minute: int
    second: int
    millisecond: int = 0
    weekday: int = 0
    invalid: bool = False
    summer: bool | None = None

    @property
    def weekday_agrees(self) -> bool:
        """False when a weekday is shown that is not the date's."""
        return self.weekday in (0, date(self.year, self.month, self.day).isoweekday())

    @property
    def wall_s(self) -> int:
        """Whole seconds since 1970, the fields read as if they were UTC."""
        days = date(self.year, self.month, self.day).toordinal() - _EPOCH_DAY
        return ((days * 24 + self.hour) * 60 + self.minute) * 60 + self.second


_EPOCH_DAY = date(1970, 1, 1).toordinal()
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def stamp_of(wall_s: int, millisecond: int = 0) -> Stamp:
    """The fields of a time given in seconds since 1970. Raises OverflowError outside years 1..9999."""
    when = _EPOCH + timedelta(seconds=wall_s)
    return Stamp(
        when.year, when.month, when.day, when.hour, when.minute, when.second, millisecond, when.isoweekday()
    )


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


def _checked(stamp: Stamp) -> Stamp | None:
    """The stamp if such a moment exists. A leap second (60) counts as impossible: no device here shows it."""
    if not (0 <= stamp.hour < 24 and 0 <= stamp.minute < 60 and 0 <= stamp.second < 60):
        return None
    if not (0 <= stamp.millisecond < 1000 and 0 <= stamp.weekday <= 7):
        return None
    try:
        date(stamp.year, stamp.month, stamp.day)
    except ValueError:
        return None
    return stamp


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


def read_cp56(octets: bytes) -> Stamp | None:
    """The fields in seven octets of CP56Time2a, None if impossible. Source: IEC 60870-5-4, 6.8."""
    ms, minute, hour, day, month, year = struct.unpack("<HBBBBB", octets[:7])
    second, millisecond = divmod(ms, 1000)
    return _checked(
        Stamp(
            2000 + (year & 0x7F),
            month & 0x0F,
            day & 0x1F,
            hour & 0x1F,
            minute & 0x3F,
            second,
            millisecond,
            day >> 5,
            bool(minute & 0x80),
            bool(hour & 0x80),
        )
    )


def write_cp56(stamp: Stamp) -> bytes:
    """Seven octets of CP56Time2a. Raises ValueError outside 2000..2099."""
    if not 2000 <= stamp.year <= 2099:
        raise ValueError(f"CP56Time2a holds the years 2000 to 2099; found {stamp.year}")
    return struct.pack(
        "<HBBBBB",
        stamp.second * 1000 + stamp.millisecond,
        stamp.minute | stamp.invalid << 7,
        stamp.hour | bool(stamp.summer) << 7,
        stamp.day | stamp.weekday << 5,
        stamp.month,
        stamp.year - 2000,
    )


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


# --- field by field ------------------------------------------------------------------------------------


def field_slots(fields: Sequence[str]) -> tuple[tuple[str, int, int], ...]:
    """(field, first byte, bytes) of each field of a list such as ``year``, ``month/day``.

    Raises ValueError for an unknown or doubled name, or when a date or time of day is not complete.
    """
    slots: list[tuple[str, int, int]] = []
    for register, entry in enumerate(fields):
        names = entry.split("/")
        if len(names) > 2:
            raise ValueError(f"{entry}: at most two fields fit a register")
        width = 2 // len(names)
        slots += [(name.strip(), 2 * register + i * width, width) for i, name in enumerate(names)]
    names = [name for name, _, _ in slots if name != "unused"]
    unknown = [name for name in names if name not in FIELD_NAMES]
    if unknown:
        raise ValueError(f"{unknown[0]} is no clock field; known are {', '.join(FIELD_NAMES)}")
    doubled = [name for name in names if names.count(name) > 1]
    missing = [name for name in _NEEDED if name not in names]
    if doubled or missing:
        raise ValueError(f"{doubled[0]} stands twice" if doubled else f"{missing[0]} is missing")
    if "second_ms" in names and ("second" in names or "millisecond" in names):
        raise ValueError("second_ms holds second and millisecond already")
    return tuple(slot for slot in slots if slot[0] != "unused")


def _fields_clock(fields: Sequence[str], *, bcd: bool, unavailable: Iterable[int]) -> ClockDecoder:
    """A clock whose fields lie in registers or halves of them; ``bcd``: each written in BCD digits."""
    slots = field_slots(fields)
    names = {name for name, _, _ in slots}
    fine = bool(names & {"millisecond", "second_ms"})
    seconds_shown = bool(names & {"second", "second_ms"})

    def read(raw: bytes) -> Stamp | None:
        found: dict[str, int] = {}
        for name, first, width in slots:
            data = raw[first : first + width]
            if bcd and not data.hex().isdecimal():
                return None
            found[name] = int(data.hex()) if bcd else int.from_bytes(data, "big")
        return _checked(_stamp_from(found))

    def write(stamp: Stamp) -> bytes:
        raw = bytearray(2 * len(fields))
        shown = _shown_fields(stamp, two_digits=_two_digit_year(slots))
        for name, first, width in slots:
            raw[first : first + width] = _digits(shown[name], width, bcd=bcd)
        return bytes(raw)

    return ClockDecoder(
        len(fields), 0.001 if fine else 1.0 if seconds_shown else 60.0, read, write, unavailable
    )


def _stamp_from(found: Mapping[str, int]) -> Stamp:
    second, millisecond = divmod(found.get("second_ms", 0), 1000)
    year = found["year"]
    return Stamp(
        year + 2000 if year < 100 else year,
        found["month"],
        found["day"],
        found["hour"],
        found["minute"],
        found.get("second", second),
        found.get("millisecond", millisecond),
        found.get("weekday", 0),
    )


def _shown_fields(stamp: Stamp, *, two_digits: bool) -> dict[str, int]:
    if two_digits and not 2000 <= stamp.year <= 2099:
        raise ValueError(f"a year of two digits holds 2000 to 2099; found {stamp.year}")
    shown = {name: int(getattr(stamp, name)) for name in FIELD_NAMES[:8]}
    shown["year"] -= 2000 if two_digits else 0
    shown["second_ms"] = stamp.second * 1000 + stamp.millisecond
    return shown


def _two_digit_year(slots: Sequence[tuple[str, int, int]]) -> bool:
    return any(name == "year" and width == 1 for name, _, width in slots)


def _digits(number: int, width: int, *, bcd: bool) -> bytes:
    if not bcd:
        return struct.pack(">B" if width == 1 else ">H", number)
    if not 0 <= number < 10 ** (2 * width):
        raise ValueError(f"{number} does not fit {2 * width} digits")
    return bytes.fromhex(f"{number:0{2 * width}d}")


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
        return _fields_clock(NAMED_FIELDS.get(encoding, fields), bcd=bcd, unavailable=unavailable)
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
