"""Trip time of one function: the words of its steps. Times of the standards are in tests/outside."""

from __future__ import annotations

import math

import pytest

from probe.desk.curve import Function, ReleaseLimits, overload_limits, short_circuit_limits, trip_time
from probe.model.protection import Shape


def function(shape: Shape, *, flat_beyond: bool = False) -> Function:
    return Function(shape=shape, pickup_a=400, delay=0.5, reference_a=2400, flat_beyond=flat_beyond)


@pytest.mark.parametrize("shape", Shape)
@pytest.mark.parametrize("current_a", [200, 400])
def test_up_to_the_pickup_it_does_not_trip(shape: Shape, current_a: float) -> None:
    found = trip_time(function(shape), current_a)
    assert found.time_s == math.inf
    multiple = f"M = I / pickup = {current_a} A / 400 A = {current_a / 400:g}"
    assert found.steps == (multiple, "M is not above 1: it does not trip")
    assert found.current_a == current_a


#: At M = 2. Sources: IEC 60255-151, Annex A; IEEE C37.112; half of each time at a multiplier of one.
TWICE = [
    (Shape.FLAT, 0.5, "t = 0.5 s at every current above the pickup", "definite time"),
    (Shape.I2T, 4.5, "t = 0.5 s * (2400 A / 800 A)² = 4.5 s", "I²t delay"),
    (Shape.IEC_A, 5.01451, "t = 0.5 * (0.14 / (2^0.02 - 1) + 0) = 5.01451 s", "IEC 60255-151, Annex A"),
    (Shape.IEC_B, 6.75, "t = 0.5 * (13.5 / (2^1 - 1) + 0) = 6.75 s", "IEC 60255-151, Annex A"),
    (Shape.IEC_C, 13.3333, "t = 0.5 * (80 / (2^2 - 1) + 0) = 13.3333 s", "IEC 60255-151, Annex A"),
    (Shape.IEC_LONG, 60.0, "t = 0.5 * (120 / (2^1 - 1) + 0) = 60 s", "IEC 60255-151, Annex A"),
    (Shape.IEEE_D, 1.90162, "t = 0.5 * (0.0515 / (2^0.02 - 1) + 0.114) = 1.90162 s", "IEEE C37.112"),
    (Shape.IEEE_E, 3.51383, "t = 0.5 * (19.61 / (2^2 - 1) + 0.491) = 3.51383 s", "IEEE C37.112"),
    (Shape.IEEE_F, 4.76085, "t = 0.5 * (28.2 / (2^2 - 1) + 0.1217) = 4.76085 s", "IEEE C37.112"),
]


@pytest.mark.parametrize(("shape", "time_s", "formula", "source"), TWICE)
def test_the_formula_is_told_with_its_numbers(shape: Shape, time_s: float, formula: str, source: str) -> None:
    found = trip_time(function(shape), 800)
    assert found.time_s == pytest.approx(time_s, rel=1e-5)
    assert found.steps == ("M = I / pickup = 800 A / 400 A = 2", formula)
    assert found.source.startswith(source)


def test_every_shape_has_its_formula_here() -> None:
    assert {row[0] for row in TWICE} == set(Shape)


@pytest.mark.parametrize(("current_a", "held"), [(8000, ""), (8001, " (held from M = 20 on)")])
def test_at_the_ceiling_nothing_is_held_yet(current_a: float, held: str) -> None:
    """80 / 399 / 2 s at 20 times the pickup and beyond. Source: IEC 60255-151 (from memory)."""
    found = trip_time(function(Shape.IEC_C), current_a)
    assert found.steps[1] == f"t = 0.5 * (80 / (20^2 - 1) + 0) = 0.100251 s{held}"


@pytest.mark.parametrize(
    ("current_a", "time_s", "words"),
    [
        (2399, 0.500417, "t = 0.5 s * (2400 A / 2399 A)² = 0.500417 s"),
        (2400, 0.5, "t = 0.5 s: flat from 2400 A on"),
        (9600, 0.5, "t = 0.5 s: flat from 2400 A on"),
    ],
)
def test_a_delay_that_is_flat_from_its_reference_on(current_a: float, time_s: float, words: str) -> None:
    found = trip_time(function(Shape.I2T, flat_beyond=True), current_a)
    assert found.time_s == pytest.approx(time_s, rel=1e-5)
    assert found.steps[1] == words


def test_a_delay_that_falls_on_is_not_called_flat() -> None:
    assert trip_time(function(Shape.I2T), 9600).steps[1] == "t = 0.5 s * (2400 A / 9600 A)² = 0.03125 s"


def test_what_is_taken_where_nothing_is_said() -> None:
    plain = Function(shape=Shape.FLAT, pickup_a=1, delay=1)
    assert (plain.reference_a, plain.flat_beyond) == (0.0, False)
    assert ReleaseLimits(not_below_a=1, not_above_a=2).hours == 0


@pytest.mark.parametrize(("rating_a", "hours"), [(63, 1), (63.1, 2), (1200, 2)])
def test_limits_of_an_overload_release(rating_a: float, hours: float) -> None:
    """1.05 and 1.30 of the setting; an hour up to 63 A. Source: IEC 60947-2 (time from memory)."""
    found = overload_limits(100, rating_a)
    assert (found.not_below_a, found.not_above_a, found.hours) == pytest.approx((105, 130, hours))


def test_limits_of_a_short_circuit_release() -> None:
    """20 percent to either side. Source: IEC 60947-2 (from memory)."""
    found = short_circuit_limits(100)
    assert (found.not_below_a, found.not_above_a, found.hours) == pytest.approx((80, 120, 0))
