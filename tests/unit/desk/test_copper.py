"""Feeder voltages: shared stretches, worst ends, collapse. Numbers of standards are in tests/outside."""

import math
from dataclasses import replace

import pytest

from probe.desk.conductor import Conductor
from probe.desk.copper import Feeder, Load, feeder_voltages, longest_m, voltages
from probe.desk.working import Amount
from probe.model.finding import Verdict


def load(name: str, distance_m: float, draw: float, *, is_power: bool = False, unsure: float = 0) -> Load:
    distance = Amount(value=distance_m, unit="m", plus_minus=unsure)
    return Load(name=name, distance_m=distance, draw=draw, is_power=is_power)


#: 10 ohm/km whatever the temperature: 20 mohm out and back for each metre.
TEN = Conductor("ten", 10.0, 20.0, 0.0, "test")
FEEDER = Feeder(
    supply_v=24, least_v=24, most_v=24, conductor=TEN, temperature_c=20, loads=(load("A", 10, 1),)
)


def test_a_shared_stretch_carries_the_current_of_all_behind_it() -> None:
    """0.2 ohm * 3 A, then 0.2 ohm * 2 A: 23.4 and 23.0 V, in whatever order the loads were given."""
    feeder = replace(FEEDER, loads=(load("far", 20, 2), load("near", 10, 1)))
    found = {one.name: one.value for one in feeder_voltages(feeder).result}
    assert found == pytest.approx({"voltage at near": 23.4, "voltage at far": 23.0})


def test_the_least_voltage_of_the_supply_decides() -> None:
    low = replace(FEEDER, least_v=20.5)
    assert feeder_voltages(FEEDER).verdict is Verdict.PASS
    assert feeder_voltages(low).checks[0].verdict is Verdict.FAIL
    assert "not the worst case" in feeder_voltages(FEEDER).steps[0].text


def test_too_high_a_supply_fails_too() -> None:
    checks = feeder_voltages(replace(FEEDER, most_v=29)).checks
    assert [one.verdict for one in checks] == [Verdict.PASS, Verdict.FAIL]


def test_an_uncertain_distance_across_the_limit_is_a_review() -> None:
    unsure = replace(FEEDER, loads=(load("A", 35, 5, unsure=5),))  # 20.5 V, 20.0 to 21.0
    assert feeder_voltages(unsure).checks[0].verdict is Verdict.REVIEW


def test_collapse_is_said_in_words_and_numbers() -> None:
    working = feeder_voltages(replace(FEEDER, loads=(load("A", 45, 200, is_power=True),)))
    assert not working.result[0].exists
    assert working.verdict is Verdict.FAIL
    assert "160 W can arrive" in working.steps[2].text  # 24² / (4 * 0.9)


def test_constant_currents_that_leave_no_voltage_have_no_solution() -> None:
    assert voltages(24, [1.0], [load("A", 1, 25)]) is None
    found = voltages(24, [1.0], [load("A", 1, 20)])
    assert found == pytest.approx((4.0,))


def test_longest_run_lands_on_the_limit() -> None:
    for draw, is_power in ((5.0, False), (60.0, True)):
        feeder = replace(FEEDER, loads=(load("A", 1, draw, is_power=is_power),))
        reach = longest_m(feeder)
        assert reach is not None
        there = replace(feeder, loads=(load("A", reach, draw, is_power=is_power),))
        assert feeder_voltages(there).result[0].value == pytest.approx(feeder.limit_least_v)


def test_no_longest_run_where_it_is_not_one_question() -> None:
    assert longest_m(replace(FEEDER, loads=(load("A", 1, 1), load("B", 2, 1)))) is None
    assert longest_m(replace(FEEDER, loads=(load("A", 1, 0),))) is None


def test_an_uncertain_distance_spreads_the_voltage_to_both_sides() -> None:
    """20 mohm a metre, 5 A: 35 m take 3.5 V, 30 m 3.0 V, 40 m 4.0 V (Ohm's law)."""
    (found,) = feeder_voltages(replace(FEEDER, loads=(load("A", 35, 5, unsure=5),))).result
    assert (found.low, found.value, found.high) == pytest.approx((20.0, 20.5, 21.0))


def test_the_ripple_is_spoken_of_below_the_limit_only() -> None:
    still = (load("A", 10, 0),)
    remarks = [
        feeder_voltages(replace(FEEDER, least_v=volts, loads=still)).checks[0].remark
        for volts in (20.4, 20.3, 19.3, 19.2, 19.1)
    ]
    assert [remark.partition(" the")[0] for remark in remarks] == [
        "",
        "still above",
        "still above",
        "still above",
        "also below",
    ]


def test_a_load_of_constant_power_collapses_below_half_the_supply() -> None:
    """Limit 6 V of 24 V. 5 A: 18 V / (20 mohm/m * 5 A) = 180 m; 60 W: at 12 V, 5 A, 12 V / 0.1 V/m = 120 m.

    Source: maximum power transfer, at half the source's voltage (physics; computed).
    """
    low = replace(FEEDER, limit_least_v=6)
    assert longest_m(replace(low, loads=(load("A", 1, 5),))) == pytest.approx(180)
    assert longest_m(replace(low, loads=(load("A", 1, 60, is_power=True),))) == pytest.approx(120)


def test_what_a_load_draws_is_told_with_its_unit() -> None:
    both = (load("A", 10, 1), load("B", 10, 20, is_power=True))
    told = dict(feeder_voltages(replace(FEEDER, loads=both)).inputs)
    assert str(told["load A"]).endswith(", 1 A")
    assert str(told["load B"]).endswith(", 20 W")


def test_constant_power_draws_without_end_where_there_is_no_voltage() -> None:
    heavy, light = load("A", 1, 60, is_power=True), load("A", 1, 5)
    assert (heavy.current_a(24), heavy.current_a(0.5)) == (2.5, 120)
    assert (heavy.current_a(0), heavy.current_a(-1)) == (math.inf, math.inf)
    assert (light.current_a(0), light.current_a(24)) == (5, 5)


def test_a_load_at_the_supply_itself_loses_nothing() -> None:
    """No ohm before it: 24 V, also for the most that a converter may ask of it."""
    for power in (False, True):
        assert voltages(24, [0.0], [load("A", 0, 60, is_power=power)]) == pytest.approx((24.0,))


def test_the_upper_of_two_solutions_is_the_one_at_which_it_runs() -> None:
    """V² - 24 V + 0.9 * 100 = 0: 19.35 V and 4.65 V (textbook quadratic, computed)."""
    found = voltages(24, [0.9], [load("A", 1, 100, is_power=True)])
    assert found == pytest.approx(((24 + math.sqrt(24**2 - 4 * 90)) / 2,), abs=1e-9)


def test_at_the_very_end_of_what_can_arrive() -> None:
    """V² / 4R = 160 W over 0.9 ohm: just below it half the supply's voltage is left, just above nothing."""
    found = voltages(24, [0.9], [load("A", 1, 160 - 1e-6, is_power=True)])
    assert found == pytest.approx((12.0,), abs=0.01)
    assert voltages(24, [0.9], [load("A", 1, 160 + 1e-6, is_power=True)]) is None


def test_a_supply_that_is_itself_below_the_limit_reaches_nowhere() -> None:
    low = replace(FEEDER, least_v=20.0)
    assert longest_m(low) == 0
    assert any(step.text.endswith("= 0 m (0 ft)") for step in feeder_voltages(low).steps)


def test_where_the_farther_end_of_an_uncertain_distance_has_no_solution_the_least_is_nothing() -> None:
    """60 W over 20 mohm a metre collapse from 120 m on (24² / 4 / 60 / 0.02): 110 m give or take 20."""
    unsure = replace(FEEDER, loads=(load("A", 110, 60, is_power=True, unsure=20),))
    (found,) = feeder_voltages(unsure).result
    assert found.exists
    assert found.low == 0
    assert found.value < found.high


def test_the_ripple_is_the_standards_and_not_that_of_other_limits() -> None:
    other = replace(FEEDER, limit_source="the map", limit_least_v=23, loads=(load("A", 35, 5),))
    assert feeder_voltages(other).checks[0].remark == ""
    mended = replace(other, loads=(load("A", 45, 200, is_power=True),))
    assert "the supply collapses" in feeder_voltages(mended).checks[0].remark


def test_what_can_arrive_is_told_for_one_converter_only() -> None:
    """With constant current, or several loads, V² / 4R is not the answer."""
    for loads in (
        (load("A", 45, 200),),
        (load("A", 20, 1), load("B", 45, 200, is_power=True)),
    ):
        working = feeder_voltages(replace(FEEDER, loads=loads))
        assert not working.result[0].exists
        assert not [step for step in working.steps if "can arrive" in step.text]


def test_no_longest_run_is_told_for_several_loads() -> None:
    texts = [
        step.text for step in feeder_voltages(replace(FEEDER, loads=(load("A", 1, 1), load("B", 2, 1)))).steps
    ]
    assert not [text for text in texts if text.startswith("longest run")]


def test_what_is_taken_where_nothing_is_said() -> None:
    """24 V -15/+20 %. Source: IEC 61131-2 (as third-party texts quote it)."""
    assert (FEEDER.limit_least_v, FEEDER.limit_most_v) == (20.4, 28.8)
    assert "IEC 61131-2" in FEEDER.limit_source
    assert Load(name="A", distance_m=Amount(value=1, unit="m"), draw=1).is_power is False


def test_a_voltage_at_the_limit_but_for_rounding_has_no_remark() -> None:
    """0.9 V of 21.3 V lost: 20.4 V by hand, a little less in binary."""
    at_limit = replace(FEEDER, least_v=21.3, loads=(load("A", 45, 1),))
    (check, _) = feeder_voltages(at_limit).checks
    assert (check.verdict, check.remark) == (Verdict.PASS, "")
