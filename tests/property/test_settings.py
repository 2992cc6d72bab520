"""Settings: texts keep their numbers, curves only fall, and no unsafe difference is ever called rounding."""

from __future__ import annotations

import math

from hypothesis import assume, given
from hypothesis import strategies as st

from probe.judge.settings.coordination import Overlap, beyond, joined, overlaps
from probe.judge.settings.difference import Kind, difference, on_step
from probe.model.protection import Shape
from probe.model.setting_text import Amount, Delay, DelayUnit, parse_amount, parse_delay
from probe.model.trip_band import Element, TripBand

numbers = st.floats(min_value=1e-3, max_value=1e5).map(lambda value: float(f"{value:.6g}"))
steps = st.sampled_from([0.01, 0.05, 0.1, 0.5, 1.0, 5.0, 10.0, 25.0, 50.0, 100.0])


@given(found=numbers, studied=numbers, percent=st.floats(0, 50), step=st.none() | steps)
def test_nothing_unsafe_is_called_rounding(
    found: float, studied: float, percent: float, step: float | None
) -> None:
    """Higher than the tolerance allows is always told as higher, whatever the device's step."""
    kind = difference(found, studied, percent, step)
    if found > studied * (1 + percent / 100) * (1 + 3e-6):
        assert kind is Kind.HIGHER
    if kind is Kind.ROUNDED:
        assert step is not None
        assert abs(found - studied) < step
        assert found <= studied * (1 + percent / 100) * (1 + 3e-6)
        assert not on_step(studied, step)


@given(studied=numbers, step=steps, percent=st.floats(0.1, 50), up=st.booleans())
def test_the_next_step_within_the_tolerance_is_rounding(
    studied: float, step: float, percent: float, up: bool
) -> None:
    assume(not on_step(studied, step))
    below = math.floor(studied / step) * step
    found = below + step if up else below
    assume(found > 0)
    inside = abs(found - studied) <= studied * percent / 100 * (1 - 1e-5)
    assume(abs(found - studied) > 1e-5 * studied)
    kind = difference(found, studied, percent, step)
    assert (kind is Kind.ROUNDED) or not inside


@given(studied=numbers, percent=st.floats(0, 50), step=st.none() | steps)
def test_the_same_is_the_same(studied: float, percent: float, step: float | None) -> None:
    assert difference(studied, studied, percent, step) is Kind.SAME


# -- texts ------------------------------------------------------------------------------------------------

amounts = st.builds(Amount, number=numbers, base=st.sampled_from(["", "sensor", "plug", "pickup", "own"]))
delays = st.builds(Delay, number=numbers, unit=st.sampled_from(DelayUnit), at=st.none() | amounts)


@given(amounts)
def test_pickups_survive_their_text(amount: Amount) -> None:
    assert parse_amount(amount.text) == amount


@given(delays)
def test_delays_survive_their_text(delay: Delay) -> None:
    assert parse_delay(delay.text) == delay


@given(numbers, st.sampled_from([16.7, 50.0, 60.0, 400.0]))
def test_cycles_and_seconds_agree(seconds: float, frequency_hz: float) -> None:
    cycles = Delay(number=seconds * frequency_hz, unit=DelayUnit.CYCLES)
    assert math.isclose(cycles.value(frequency_hz), seconds, rel_tol=1e-12)


# -- bands ------------------------------------------------------------------------------------------------

tolerances = st.tuples(st.floats(-30, 0), st.floats(0, 30))


@st.composite
def elements(draw: st.DrawFn) -> Element:
    """One function of any shape, with any tolerances."""
    pickup_a = draw(st.floats(20, 20_000))
    low, high = draw(tolerances)
    shape = draw(st.sampled_from(Shape))
    delay = draw(st.floats(0.01, 30))
    return Element(
        function="long_time",
        low_a=pickup_a * (1 + low / 100),
        pickup_a=pickup_a,
        high_a=pickup_a * (1 + high / 100),
        shape=shape,
        delay=delay,
        reference_a=pickup_a * draw(st.floats(1.5, 12)),
        flat_beyond=shape is Shape.I2T and draw(st.booleans()),
        percent=draw(tolerances),
        seconds=draw(st.tuples(st.floats(-0.05, 0), st.floats(0, 0.05))),
        clearing_s=(0.0, draw(st.floats(0, 0.1))),
    )


bands = st.lists(elements(), min_size=1, max_size=3).map(lambda made: TripBand(elements=tuple(made)))
currents = st.floats(10, 200_000)


@given(bands, currents, currents)
def test_more_current_never_trips_later(band: TripBand, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert band.least_s(high) <= band.least_s(low) * (1 + 1e-12)
    assert band.most_s(high) <= band.most_s(low) * (1 + 1e-12)


@given(bands, currents)
def test_the_soonest_comes_before_the_latest(band: TripBand, current: float) -> None:
    assert 0 <= band.least_s(current) <= band.most_s(current)


@given(bands, bands, st.floats(1000, 100_000), st.data())
def test_crossings_hold_inside_and_not_outside(
    lower: TripBand, upper: TripBand, up_to_a: float, data: st.DataObject
) -> None:
    found = overlaps(lower, upper, up_to_a)
    for one in found:
        middle = math.sqrt(one.low_a * one.high_a)
        if one.high_a > one.low_a * (1 + 1e-6):
            assert lower.most_s(middle) > upper.least_s(middle)
    current = data.draw(st.floats(10, up_to_a))
    if lower.most_s(current) > upper.least_s(current) * (1 + 1e-6) + 1e-9:
        assert any(one.low_a * (1 - 1e-6) <= current <= one.high_a * (1 + 1e-6) for one in found)


ranges = st.lists(
    st.tuples(st.floats(1, 1000), st.floats(1.001, 5)).map(lambda pair: Overlap(pair[0], pair[0] * pair[1])),
    max_size=5,
)


@given(ranges, ranges, st.floats(1, 5000))
def test_what_lies_beyond_is_the_one_and_not_the_other(
    one: list[Overlap], other: list[Overlap], at: float
) -> None:
    def within(found: tuple[Overlap, ...] | list[Overlap]) -> bool:
        return any(r.low_a < at < r.high_a for r in found)

    edges = [edge for r in (*one, *other) for edge in r]
    assume(all(abs(at - edge) > 1e-6 * edge for edge in edges))
    assert within(beyond(joined(one), other)) == (within(one) and not within(other))
