"""CP56Time2a: seven octets of date and time.

    octet   bit 8   7    6    5    4    3    2    1
    1, 2    milliseconds of the minute 0..59999, low octet first
    3       IV      RES  minute 0..59
    4       SU      RES  RES  hour 0..23
    5       day of week 1..7, 0 unused (8..6)   day 1..31 (5..1)
    6       RES     RES  RES  RES  month 1..12
    7       RES     year 0..99

Source: IEC 60870-5-4, 6.8, as quoted by open-source libraries.
"""

from __future__ import annotations

import struct

from probe.model.clock_stamp import Stamp, possible


def read_cp56(octets: bytes) -> Stamp | None:
    """The fields in seven octets of CP56Time2a, None if impossible. Source: IEC 60870-5-4, 6.8."""
    ms, minute, hour, day, month, year = struct.unpack("<HBBBBB", octets[:7])
    if year & 0x7F > 99:
        return None
    second, millisecond = divmod(ms, 1000)
    return possible(
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
