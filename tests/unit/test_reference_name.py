"""Names of reference clocks as a map writes them."""

from __future__ import annotations

import re

import pytest

from probe.model.device_map import Clock
from probe.model.reference_name import PATTERN, ReferenceName, reference_name

NAMES = [
    ("laptop", ReferenceName("laptop"), "laptop"),
    ("tag:MC-1", ReferenceName("tag", "MC-1"), "tag"),
    ("ntp:10.20.1.1", ReferenceName("ntp", "10.20.1.1", 123), "ntp 10.20.1.1"),
    ("ntp:time.example", ReferenceName("ntp", "time.example", 123), "ntp time.example"),
    ("ntp:time.example:1123", ReferenceName("ntp", "time.example", 1123), "ntp time.example:1123"),
    ("ntp:2001:db8::1", ReferenceName("ntp", "2001:db8::1", 123), "ntp 2001:db8::1"),
    ("ntp:[2001:db8::1]", ReferenceName("ntp", "2001:db8::1", 123), "ntp 2001:db8::1"),
    ("ntp:[2001:db8::1]:99", ReferenceName("ntp", "2001:db8::1", 99), "ntp [2001:db8::1]:99"),
]


@pytest.mark.parametrize(("text", "name", "source"), NAMES, ids=[row[0] for row in NAMES])
def test_parts_of_a_name(text: str, name: ReferenceName, source: str) -> None:
    assert re.fullmatch(PATTERN, text)
    assert reference_name(text) == name
    assert reference_name(text).source == source


@pytest.mark.parametrize("text", ["", "laptopp", "ntp:", "ntp:a b", "tag:", "tag: x", "gps:1"])
def test_what_is_no_name(text: str) -> None:
    assert not re.fullmatch(PATTERN, text)


def test_one_or_several() -> None:
    assert Clock(reference="tag:A").reference_texts == ("tag:A",)
    several = Clock(reference=("ntp:a", "tag:A", "ntp:a"))
    assert several.reference_texts == ("ntp:a", "tag:A")
    assert several.reference_words == "ntp:a, tag:A"


def test_only_the_sole_reference_is_not_judged_by_itself() -> None:
    assert Clock(reference="tag:A").is_reference("A")
    assert not Clock(reference=("tag:A", "laptop")).is_reference("A")
    assert not Clock(reference="laptop").is_reference("A")


def test_a_port_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="out of range"):
        Clock(reference="ntp:a:70000")


def test_colons_that_make_no_address_are_refused() -> None:
    with pytest.raises(ValueError, match="no address"):
        Clock(reference="ntp:a:b")
