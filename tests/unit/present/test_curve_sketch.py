"""The sketch of two bands in a terminal: where each lies, and where both do."""

from __future__ import annotations

import pytest

from probe.model.trip_band import Element, TripBand
from probe.present.curve_sketch import BOTH, LOWER, UPPER, key, sketch


def flat(pickup_a: float, delay_s: float) -> TripBand:
    """A fixed delay of some width."""
    return TripBand(
        elements=(
            Element(
                function="short_time", low_a=pickup_a * 0.9, pickup_a=pickup_a, high_a=pickup_a * 1.1,
                delay=delay_s, seconds=(-0.02, 0.02),
            ),
        )
    )  # fmt: skip


def column(lines: list[str], number: int) -> str:
    return "".join(line.ljust(200)[number] for line in lines[:-2])


@pytest.mark.parametrize("width", [40, 80, 110])
def test_bands_that_do_not_meet(width: int) -> None:
    lines = sketch(flat(200, 0.1), flat(5000, 0.5), 20_000, width)
    assert max(map(len, lines)) <= width
    assert not any(BOTH in line for line in lines)
    last = column(lines, len(lines[-2]) - 2)
    assert last.strip().startswith(UPPER), "the upper one lies above at the fault current"
    assert last.strip().endswith(LOWER)


def test_bands_that_cross() -> None:
    lines = sketch(flat(200, 0.5), flat(5000, 0.5), 20_000, 80)
    assert any(BOTH in line for line in lines)
    assert [line.split(" s |")[0].strip() for line in lines if " s |" in line] == [
        "1000",
        "100",
        "10",
        "1",
        "0.1",
    ]
    assert lines[-1].split() == ["100", "A", "20", "kA"]
    assert "F1" in key("F1", "M1")
