"""Target: short texts that people type: durations, amounts, speeds, sizes, ranges, addresses, byte orders."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from typing import Any

from probe.cli import desk_amount
from probe.cli.capture_speed import bits_a_second, bytes_of
from probe.cli.duration import LONGEST_S, seconds
from probe.collect.survey.ground import LARGEST_RANGE, parse_range
from probe.model.addressing import AddressError, parse_address
from probe.model.amount_text import read_amount
from probe.model.procedure import seconds_of
from probe.model.snmp_values import oid_of, oid_text
from probe.model.word_order import parse_order
from tests.fuzz.target import Target, need, refused

_AREAS: tuple[Any, ...] = (None, "holding", "input", "coil")


def _words(data: bytes) -> None:
    text = data.decode("utf-8", "surrogateescape")
    duration = refused(lambda: seconds(text, "--dwell"), "--dwell")
    need(duration is None or 0 <= duration <= LONGEST_S, f"{duration} s")
    speed = refused(lambda: bits_a_second(text), "--speed")
    need(speed is None or 0 <= speed <= 10**12, f"{speed} bit/s")
    size = refused(lambda: bytes_of(text, "--size"), "--size")
    need(size is None or 0 <= size <= 1 << 44, f"{size} bytes")
    found = refused(lambda: parse_range(text), "--range")
    need(found is None or 1 <= found.size <= LARGEST_RANGE, "a range of no size")
    for units in (desk_amount.LENGTH, desk_amount.TEMPERATURE, desk_amount.HOURS):
        amount = refused(lambda units=units: desk_amount.amount("--length", text, units), "--length")  # type: ignore[misc]
        need(amount is None or math.isfinite(amount.value + amount.plus_minus), f"amount {amount}")
    read_amount(text)
    _addresses(text)
    _raises_value_error(text)


def _addresses(text: str) -> None:
    for convention in ("zero_based", "one_based", "reference"):
        for area in _AREAS:
            try:
                place = parse_address(text, convention, area)
            except AddressError as error:
                need(str(error) and error.allowed, "a refusal that does not say what is allowed")
                continue
            need(0 <= place.start <= 65_535, f"{text!r} is {place}")
            need(area is None or place.area == area, f"{text!r} of {area} is {place}")


def _raises_value_error(text: str) -> None:
    """What refuses with a plain ValueError."""
    orders = [partial(parse_order, registers=many) for many in (1, 2, 4)]
    for work in (*orders, seconds_of, oid_of):
        try:
            found: Any = work(text)
        except (ValueError, KeyError):
            continue
        if work is oid_of:
            need(oid_of(oid_text(found)) == found, f"{text!r} is {found}")


_SEEDS = (
    "90s", "1h30m", "2w", "10 m", "350 +/- 5 m", "-20 C", "1.5 kft", "100M", "1Gbps", "500k", "16T",
    "10.20.1.0/24", "10.20.1.10-10.20.1.40", "40001", "0x0064", "400001", "100", "ABCD", "CDAB", "HGFEDCBA",
    "1.3.6.1.2.1.1.5.0", "20 min", "{time}", "", " ",
)  # fmt: skip


def _seeds() -> Iterator[bytes]:
    for text in _SEEDS:
        yield text.encode()
        yield text.replace("0", "9" * 400).replace("1", "1" * 20, 1).encode()


TARGETS = (
    Target(
        name="typed_words",
        promise="durations, amounts, sizes, ranges and addresses are within bounds, or refused with a reason",
        run=_words,
        seeds=_seeds,
        words=(b"9999999999", b"e308", b"00", b"+/-", b"km", b"\xd9\xa1", b"/0", b"::", b"-", b"."),
        longest=600,
        calls=1000,
    ),
)
