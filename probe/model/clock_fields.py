"""Clocks whose fields lie in registers or halves of them, as a list such as ``year``, ``month/day`` says.

Each entry is one register; ``high/low`` packs two. A year below 100 counts from 2000. second_ms is the
milliseconds of the minute, 0 to 59999; ``unused`` is skipped and written as 0.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence

from probe.model.clock_decoder import ClockDecoder
from probe.model.clock_stamp import Stamp, possible

FIELD_NAMES = (
    "year", "month", "day", "weekday", "hour", "minute", "second", "millisecond", "second_ms", "unused",
)  # fmt: skip
_NEEDED = ("year", "month", "day", "hour", "minute")


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


def fields_clock(fields: Sequence[str], *, bcd: bool, unavailable: Iterable[int]) -> ClockDecoder:
    """A clock whose fields lie in registers or halves of them; ``bcd``: each written in BCD digits."""
    slots = field_slots(fields)
    names = {name for name, _, _ in slots}
    two_digits = _two_digit_year(slots)
    fine = bool(names & {"millisecond", "second_ms"})
    seconds_shown = bool(names & {"second", "second_ms"})

    def read(raw: bytes) -> Stamp | None:
        found: dict[str, int] = {}
        for name, first, width in slots:
            data = raw[first : first + width]
            if bcd and not data.hex().isdecimal():
                return None
            found[name] = int(data.hex()) if bcd else int.from_bytes(data, "big")
        if two_digits and found["year"] > 99:
            return None  # a count from another year than the profile's author thought of
        return possible(_stamp_from(found))

    def write(stamp: Stamp) -> bytes:
        raw = bytearray(2 * len(fields))
        shown = _shown_fields(stamp, two_digits=two_digits)
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
