"""Autonomy over a profile, and sizing as its reverse. Numbers of standards are in tests/outside."""

import math
from dataclasses import replace

import pytest

from probe.desk.battery import (
    Bank,
    Stretch,
    autonomy,
    autonomy_h,
    available_ah,
    cold_factor,
    life_factor,
    needed_ah,
    sizing,
)
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


@pytest.mark.parametrize(
    ("celsius", "factor"), [(0.0, 1.40), (2.2, 1.35), (12.8, 1.15), (23.05, 1.02), (25.1, 1.0), (51.7, 1.0)]
)
def test_the_cold_factor_runs_straight_between_the_places_of_its_table(celsius: float, factor: float) -> None:
    """Half-way between 0 and 4.4 °C, 10 and 15.6 °C, 21.1 and 25 °C; both ends of the range belong to it.

    Source: IEEE 485 (from memory).
    """
    assert cold_factor(celsius) == pytest.approx(factor)


@pytest.mark.parametrize("celsius", [-0.01, 51.71])
def test_just_outside_the_table_there_is_no_factor(celsius: float) -> None:
    with pytest.raises(ValueError, match=str(celsius)):
        cold_factor(celsius)


def test_cold_and_age_take_capacity_away() -> None:
    """12 Ah * 0.8 / 1.19. Source: IEEE 485 (from memory)."""
    assert available_ah(Bank(volts=24, capacity_ah=12, temperature_c=10)) == pytest.approx(8.067227)


def test_a_bank_that_is_just_empty_lasts_no_longer_whatever_comes_then() -> None:
    """240 Wh at 120 W: two hours, also where nothing is drawn afterwards."""
    assert autonomy_h(BANK, (Stretch(watts=120, hours=2), Stretch(watts=0))) == 2.0
    assert autonomy_h(BANK, (Stretch(watts=120, hours=1), Stretch(watts=0))) == math.inf
    assert autonomy_h(BANK, (Stretch(watts=0, hours=3), Stretch(watts=120))) == 5.0


def test_half_the_depth_lasts_half_as_long() -> None:
    half = replace(BANK, depth=0.5)
    assert autonomy_h(half, (Stretch(watts=120),)) == pytest.approx(1.0)
    assert needed_ah(half, (Stretch(watts=120, hours=1),)) == pytest.approx(10.0)


def test_efficiency_and_voltage_set_the_current() -> None:
    """60 W at 12 V and 0.5: 10 A out of 10 Ah."""
    poor = Bank(volts=12, capacity_ah=10, efficiency=0.5, health=1.0)
    assert autonomy_h(poor, (Stretch(watts=60),)) == pytest.approx(1.0)


def test_at_the_rated_current_the_rate_effect_is_nothing() -> None:
    """100 Ah at 20 h is 5 A: 20 h. What is told is the plain division there, and the rate effect above."""
    rated = Bank(volts=24, capacity_ah=100, exponent=1.2, health=1.0)
    told = [step.text for watts in (120, 121) for step in autonomy(rated, (Stretch(watts=watts),)).steps]
    lines = [text for text in told if "alone empties" in text]
    assert lines[0].endswith("in C / I = 1200 min")
    assert "in 20 h * (C / (I * 20 h))^1.2 = " in lines[1]


def test_what_is_taken_where_nothing_is_said() -> None:
    """20 h rate, no rate effect, all of it usable, 80 % of its life, 25 °C; margin 1.10, ageing 1 / 0.8.

    Source: IEEE 485, 1188 (from memory).
    """
    bank = Bank(volts=24, capacity_ah=10)
    assert (bank.hours, bank.exponent, bank.depth, bank.efficiency) == (20, 1, 1, 1)
    assert (bank.health, bank.temperature_c, Stretch(watts=1).hours) == (0.8, 25, math.inf)
    size = sizing(replace(bank, capacity_ah=0), (Stretch(watts=24, hours=10),)).result[1]
    assert size.value == pytest.approx(10 * 1.10 / 0.8)


def test_cells_last_their_design_life_up_to_25_degrees() -> None:
    assert [life_factor(celsius) for celsius in (0, 24, 25)] == [1, 1, 1]
    assert life_factor(26) == pytest.approx(0.5 ** (1 / 8.3))


@pytest.mark.parametrize("celsius", [24.9, 25.0])
def test_life_is_not_spoken_of_where_it_is_whole(celsius: float) -> None:
    steps = autonomy(replace(BANK, temperature_c=celsius), (Stretch(watts=60),)).steps
    assert not [step for step in steps if "design life" in step.text]
