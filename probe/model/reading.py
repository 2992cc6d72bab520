"""Reading: one decoded value with its quality, its times and the evidence it came from."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Quality(StrEnum):
    """What a decoded value is worth. Only GOOD values are compared with anything."""

    GOOD = "good"
    NOT_AVAILABLE = "not available"  # the type's own "no value" code
    NOT_A_NUMBER = "not a number"  # NaN or infinity where the profile does not define it as not available
    OUT_OF_TYPE = "out of type"  # cannot be decoded: BCD digit above 9, month 13, text that is no text
    NO_SCALE = "no scale"  # the scale-factor register is missing or not available


Value = int | float | str | bool


class Reading(NamedTuple):
    """value: scaled, in the point's unit; for enumerations and bit fields the raw integer.

    sequence: number of the exchange in the record that holds the bytes.
    """

    tag: str
    point: str
    value: Value
    quality: Quality
    raw: bytes
    sent_ns: int
    received_ns: int
    sequence: int
    round: int
