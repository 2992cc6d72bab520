"""Quantities shown ten times too large: every register can still be read."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from probe.model.number_codec import FactoredDecoder, IntegerDecoder
from probe.practice.offline import Clock, Visit, audit_offline, library, practice_lineup
from probe.practice.part import Part
from probe.practice.scenario import bundled_scenario
from probe.practice.show import Showing

METERS = ("MTR-F11", "MTR-M1", "52-M1")
QUANTITIES = sorted(
    {p.quantity for name in library().names() for p in library().get(name).points if p.quantity}
)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_register_can_be_read_whatever_is_ten_times_too_large(quantity: str) -> None:
    def ten_times(parts: Mapping[str, Part]) -> None:
        for tag in METERS:
            parts[tag].times_ten.add(quantity)

    lineup, registers = practice_lineup(bundled_scenario("healthy"), Clock(), alter=ten_times)
    for tag in METERS:
        for point in lineup.profile_of(lineup.map.by_tag[tag]).points:
            if not point.area.is_bits:
                assert len(registers[tag](point.area.function, point.start, point.count)) == point.count


def test_a_current_ten_times_too_large_is_found_at_the_meter_with_scale_factors() -> None:
    def ten_times(parts: Mapping[str, Part]) -> None:
        parts["MTR-F11"].times_ten.add("current")

    seen = audit_offline(bundled_scenario("healthy"), Visit(), alter=ten_times)
    blamed = {f.subject for f in seen.findings() if f.verdict.value == "fail"}
    assert "MTR-F11" in blamed


def test_what_no_register_can_show_is_the_largest_number_that_means_something() -> None:
    point = next(p for p in library().get("sunspec-203").points if p.quantity == "current")
    decoder = point.decoder
    assert isinstance(decoder, FactoredDecoder)
    showing = Showing(factors={point.scale_factor: -2})
    least, most = IntegerDecoder.number_bounds(decoder, None, None)
    assert decoder.number_of(showing.with_factor(point, 100.0)) == 10_000
    assert decoder.number_of(showing.with_factor(point, 1e6)) == most
    assert decoder.number_of(showing.with_factor(point, -1e6)) == least + 1  # the lowest means "no value"
    with pytest.raises(ValueError, match="cannot show"):
        showing.with_factor(point, "text")
