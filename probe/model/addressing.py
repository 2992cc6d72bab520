"""Register addresses as people write them, to PDU addresses; the convention is always stated.

    convention   written       area      PDU address
    zero_based   99            stated    99         as it goes over the wire
    one_based    100           stated    99         number of the register; the first is 1
    reference    40100         holding   99         first digit is the area: 0 coil, 1 discrete input,
                 400100        holding   99         3 input register, 4 holding register; 5 or 6 digits

Source: MODBUS Application Protocol Specification V1.1b3, 4.4 (element number X is PDU address X-1); the
reference numbers are common practice, no source.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from probe.model.profile import Area

AREAS_BY_DIGIT = {"0": Area.COIL, "1": Area.DISCRETE, "3": Area.INPUT, "4": Area.HOLDING}
HIGHEST = 65_535


class AddressError(ValueError):
    """An address that cannot be; what, allowed and remedy are made for a Problem."""

    def __init__(self, what: str, *, allowed: str = "", remedy: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.allowed = allowed
        self.remedy = remedy


class Place(NamedTuple):
    """A PDU address in an area."""

    area: Area
    start: int


def parse_address(text: str, convention: str, area: Area | None) -> Place:
    """Where the written address lies. area: as stated; None if nothing states it.

    Raises AddressError.
    """
    if convention == "reference":
        return _reference(text, area)
    if area is None:
        raise AddressError(
            "the area is not stated",
            allowed="holding, input, discrete, coil",
            remedy="add `area: holding` (function 3) or `area: input` (function 4) to the file or the point",
        )
    first = 0 if convention == "zero_based" else 1
    number = _number(text)
    if not first <= number <= HIGHEST + first:
        remedy = "the first register of a one_based file is 1" if number == 0 else ""
        allowed = f"{first} to {HIGHEST + first} ({convention})"
        raise AddressError("the address is out of range", allowed=allowed, remedy=remedy)
    return Place(area, number - first)


def _number(text: str) -> int:
    if re.fullmatch(r"0x[0-9a-f]{1,8}", text.lower()):
        return int(text, 16)
    if re.fullmatch(r"-?[0-9]{1,9}", text):
        return int(text)
    raise AddressError("the address is no number", allowed="as 100 or 0x0064")


def _reference(text: str, stated: Area | None) -> Place:
    allowed = "five digits (40001 to 49999) or six (400001 to 465536); first digit 0, 1, 3 or 4"
    if not (text.isascii() and text.isdecimal() and len(text) in (5, 6) and text[0] in AREAS_BY_DIGIT):
        remedy = "for plain numbers state `addressing: zero_based` or `addressing: one_based`"
        raise AddressError("the address is no reference number", allowed=allowed, remedy=remedy)
    area, number = AREAS_BY_DIGIT[text[0]], int(text[1:])
    if not 1 <= number <= HIGHEST + 1:
        raise AddressError("the reference number is out of range", allowed=allowed)
    if stated is not None and stated is not area:
        raise AddressError(
            f"the reference number says {area}, the area says {stated}",
            allowed=f"area: {area}, or no area: the number tells it",
        )
    return Place(area, number - 1)


def show_address(place: Place, convention: str) -> str:
    """The address as a file with the convention writes it; references in six digits."""
    if convention == "zero_based":
        return str(place.start)
    if convention == "one_based":
        return str(place.start + 1)
    digit = next(digit for digit, area in AREAS_BY_DIGIT.items() if area is place.area)
    return f"{digit}{place.start + 1:05d}"
