"""Length of a channel: fixed cable and cords shrink together in the heat."""

import pytest

from probe.desk.channel import Channel, channel_length, cords_most_m, heat_factor, work_area_most_m
from probe.desk.working import Amount
from probe.model.finding import Verdict


def channel(fixed_m: float, cords_m: float, ambient_c: float = 20) -> Channel:
    return Channel(
        fixed_m=Amount(value=fixed_m, unit="m"), cords_m=Amount(value=cords_m, unit="m"), ambient_c=ambient_c
    )


def test_ninety_and_ten_just_pass() -> None:
    assert channel_length(channel(90, 10)).verdict is Verdict.PASS
    assert [c.verdict for c in channel_length(channel(91, 9)).checks] == [Verdict.FAIL, Verdict.PASS]
    assert [c.verdict for c in channel_length(channel(90, 10.1)).checks] == [Verdict.PASS, Verdict.FAIL]


def test_heat_takes_from_both() -> None:
    assert channel_length(channel(82, 10, 40)).checks[0].verdict is Verdict.PASS
    assert channel_length(channel(83, 10, 40)).checks[0].verdict is Verdict.FAIL  # 90 * 0.92 = 82.8
    assert channel_length(channel(82, 14, 20)).checks[1].verdict is Verdict.PASS
    assert channel_length(channel(82, 14, 40)).checks[1].verdict is Verdict.FAIL


def test_the_whole_channel_has_both_uncertainties() -> None:
    parts = {
        "fixed_m": Amount(value=80, unit="m", plus_minus=2),
        "cords_m": Amount(value=8, unit="m", plus_minus=1),
    }
    (whole,) = channel_length(Channel(**parts)).result
    assert (whole.low, whole.value, whole.high) == (85, 88, 91)


def test_where_the_heat_leaves_nothing_no_cord_is_left() -> None:
    """Unscreened: 0.4 % to 40 °C, 0.6 % above; after 40 + 92 / 0.6 °C nothing remains."""
    checks = channel_length(channel(1, 1, 200)).checks
    assert [one.verdict for one in checks] == [Verdict.FAIL, Verdict.FAIL]


@pytest.mark.parametrize(
    ("ambient_c", "screened", "part"),
    [(-10, False, 1.0), (20, False, 1.0), (21, False, 0.996), (40, False, 0.92), (41, False, 0.914),
     (20, True, 1.0), (21, True, 0.998), (60, True, 0.92), (193, False, 0.002), (200, False, 0.0),
     (519, True, 0.002), (600, True, 0.0)],
)  # fmt: skip
def test_what_heat_leaves(ambient_c: float, screened: bool, part: float) -> None:
    """0.4 %/K above 20 °C, 0.6 %/K above 40 °C; screened 0.2 %/K. Source: ISO/IEC 11801 (from memory)."""
    assert heat_factor(ambient_c, screened=screened) == pytest.approx(part, abs=1e-9)


def test_cords_end_where_the_fixed_cable_takes_all() -> None:
    """(102 - H) / 1.2, the cord at the other end 5 m. Source: TIA-568.2-D (from memory)."""
    assert [cords_most_m(metres) for metres in (100.8, 102, 110)] == pytest.approx([1, 0, 0])
    assert [work_area_most_m(metres) for metres in (94.8, 96, 100)] == pytest.approx([1, 0, 0])


def test_a_gauge_that_the_standard_does_not_give_is_refused() -> None:
    with pytest.raises(KeyError):
        cords_most_m(90, 22)


def test_what_a_channel_is_where_nothing_is_said() -> None:
    ten = Amount(value=10, unit="m")
    plain = Channel(fixed_m=ten, cords_m=ten)
    assert (plain.cord_gauge, plain.ambient_c, plain.screened) == (24, 20, False)
    assert cords_most_m(90) == cords_most_m(90, 24)
    assert work_area_most_m(90) == work_area_most_m(90, 24)
