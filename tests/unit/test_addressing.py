"""Addresses in the three conventions. Source: MODBUS Application Protocol V1.1b3, 4.4 (X is address X-1)."""

from __future__ import annotations

import pytest

from probe.model.addressing import AddressError, Place, parse_address, show_address
from probe.model.profile import Area

GOOD = [
    ("99", "zero_based", Area.HOLDING, Place(Area.HOLDING, 99)),
    ("0x0063", "zero_based", Area.INPUT, Place(Area.INPUT, 99)),
    ("65535", "zero_based", Area.INPUT, Place(Area.INPUT, 65_535)),
    ("100", "one_based", Area.HOLDING, Place(Area.HOLDING, 99)),
    ("65536", "one_based", Area.HOLDING, Place(Area.HOLDING, 65_535)),
    ("40001", "reference", None, Place(Area.HOLDING, 0)),
    ("49999", "reference", None, Place(Area.HOLDING, 9_998)),
    ("400001", "reference", None, Place(Area.HOLDING, 0)),
    ("465536", "reference", None, Place(Area.HOLDING, 65_535)),
    ("30001", "reference", Area.INPUT, Place(Area.INPUT, 0)),
    ("10001", "reference", None, Place(Area.DISCRETE, 0)),
    ("00001", "reference", None, Place(Area.COIL, 0)),
]


@pytest.mark.parametrize(("text", "convention", "area", "place"), GOOD)
def test_addresses(text: str, convention: str, area: Area | None, place: Place) -> None:
    assert parse_address(text, convention, area) == place
    assert parse_address(show_address(place, convention), convention, place.area) == place


BAD = [
    ("65536", "zero_based", Area.HOLDING), ("-1", "zero_based", Area.HOLDING),
    ("0", "one_based", Area.HOLDING), ("1_0", "zero_based", Area.HOLDING), ("٤", "zero_based", Area.HOLDING),
    ("65537", "one_based", Area.HOLDING), ("40000", "reference", None), ("465537", "reference", None),
    ("20001", "reference", None), ("4001", "reference", None), ("4000001", "reference", None),
    ("30001", "reference", Area.HOLDING), ("1", "zero_based", None), ("4x001", "reference", None),
    ("٤٠٠٠١", "reference", None), ("", "zero_based", Area.HOLDING),
]  # fmt: skip


@pytest.mark.parametrize(("text", "convention", "area"), BAD)
def test_what_is_no_address(text: str, convention: str, area: Area | None) -> None:
    with pytest.raises(AddressError):
        parse_address(text, convention, area)
