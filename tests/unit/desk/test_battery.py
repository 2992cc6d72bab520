"""Autonomy over a profile, and sizing as its reverse. Numbers of standards are in tests/outside."""

import pytest

from probe.desk.battery import Bank, Stretch, autonomy, autonomy_h, cold_factor, needed_ah, sizing
from probe.model.finding import Verdict

BANK = Bank(volts=24, capacity_ah=10, health=1.0)  # 240 Wh


def test_a_profile_uses_the_bank_up_in_order() -> None:
    """120 W for 1 h leaves 120 Wh: two hours at 60 W; ends inside a stretch where that empties the bank."""
    assert autonomy_h(BANK, (Stretch(watts=120, hours=1), Stretch(watts=60))) == pytest.approx(3.0)
    assert autonomy_h(BANK, (Stretch(watts=480, hours=1), Stretch(watts=60))) == pytest.approx(0.5)


def test_the_last_load_goes_on_where_the_profile_ends_before() -> None:
    assert autonomy_h(BANK, (Stretch(watts=120, hours=0.5),)) == pytest.approx(2.0)


def test_a_slow_discharge_is_given_no_credit() -> None:
    slow = Bank(volts=24, capacity_ah=10, health=1.0, hours=20, exponent=1.3)
    assert autonomy_h(slow, (Stretch(watts=6),)) == pytest.approx(40.0)  # not 20 * 2^1.3


@pytest.mark.parametrize(
    ("wanted_h", "verdict"), [(1.5, Verdict.PASS), (2.0, Verdict.REVIEW), (2.5, Verdict.FAIL)]
)
def test_a_prediction_is_no_better_than_twenty_percent(wanted_h: float, verdict: Verdict) -> None:
    assert autonomy(BANK, (Stretch(watts=120),), wanted_h=wanted_h).verdict is verdict


def test_what_is_needed_is_what_just_lasts() -> None:
    profile = (Stretch(watts=300, hours=0.25), Stretch(watts=96, hours=2))
    asked = Bank(volts=24, capacity_ah=0, exponent=1.2, depth=0.8, efficiency=0.9)
    need = needed_ah(asked, profile)
    found = Bank(volts=24, capacity_ah=need, exponent=1.2, depth=0.8, efficiency=0.9, health=1.0)
    assert autonomy_h(found, profile) == pytest.approx(2.25, rel=1e-6)


def test_a_bank_that_is_too_small_fails() -> None:
    profile = (Stretch(watts=96, hours=2),)
    assert sizing(Bank(volts=24, capacity_ah=10), profile).verdict is Verdict.FAIL  # 8 * 1.1 * 1.25 = 11
    assert sizing(Bank(volts=24, capacity_ah=11.1), profile).verdict is Verdict.PASS


@pytest.mark.parametrize("celsius", [-1, 52])
def test_no_factor_outside_the_table(celsius: float) -> None:
    with pytest.raises(ValueError):
        cold_factor(celsius)


def test_heat_is_told_by_what_it_does_to_life() -> None:
    hot = Bank(volts=24, capacity_ah=10, temperature_c=33.3)
    assert any("0.5 of its design life" in step.text for step in autonomy(hot, (Stretch(watts=60),)).steps)


def test_every_stretch_of_a_profile_counts() -> None:
    """240 Wh less 1 h of 60 W and 1 h of 120 W leave 60 Wh: half an hour at 120 W."""
    profile = (Stretch(watts=60, hours=1), Stretch(watts=120, hours=1), Stretch(watts=120))
    assert autonomy_h(BANK, profile) == pytest.approx(2.5)


def test_the_time_is_told_in_minutes() -> None:
    texts = [step.text for step in autonomy(BANK, (Stretch(watts=120),)).steps]
    assert "autonomy = 120 min, predicted within 20%" in texts
