"""Round of a segment: pauses, uncertainty, dead devices, reach. The standard: tests/outside."""

from dataclasses import replace

import pytest

from probe.desk.bus import (
    Line,
    Reach,
    Round,
    cycle,
    cycle_s,
    derivation_m,
    devices_that_fit,
    fieldbus_segment_m,
    reply_bytes,
    trunk_m,
)
from probe.desk.working import Amount
from probe.model.finding import Verdict

LINE = Line(baud=19200)
SCAN = Round(devices=((reply_bytes(20),),) * 4, response_s=Amount(value=0.05, unit="s"))  # 84.375 ms each


def test_the_masters_pause_counts_after_each() -> None:
    assert cycle_s(LINE, replace(SCAN, gap_s=0.1), 0.05) == pytest.approx(4 * 0.184375)


def test_ten_bits_a_character_are_faster() -> None:
    assert cycle_s(Line(baud=19200, bits=10), SCAN, 0.05) < cycle_s(LINE, SCAN, 0.05)


def test_devices_that_fit_are_counted_at_their_slowest() -> None:
    assert devices_that_fit(LINE, SCAN, 0.84375) == 10
    unsure = replace(SCAN, response_s=Amount(value=0.05, unit="s", plus_minus=0.02))
    assert devices_that_fit(LINE, unsure, 0.84375) == 8  # of 104.375 ms


def test_uncertain_response_across_the_wanted_round_is_a_review() -> None:
    unsure = replace(SCAN, response_s=Amount(value=0.05, unit="s", plus_minus=0.02))
    verdicts = [cycle(LINE, unsure, wanted_s=s).verdict for s in (0.42, 0.34, 0.25)]
    assert verdicts == [Verdict.PASS, Verdict.REVIEW, Verdict.FAIL]


def test_one_dead_device_breaks_a_round_that_fitted() -> None:
    assert cycle(LINE, SCAN, wanted_s=1).verdict is Verdict.PASS
    working = cycle(LINE, replace(SCAN, dead=1), wanted_s=1)
    assert working.verdict is Verdict.FAIL
    assert working.result[1].value == pytest.approx(3 * 0.084375 + 3 * (1 + 88 / 19200))


def test_too_many_devices_and_too_long_a_trunk() -> None:
    many = replace(SCAN, devices=SCAN.devices * 8)  # 32
    assert cycle(LINE, many, reach=Reach()).verdict is Verdict.PASS
    assert cycle(LINE, many, reach=Reach(polarised=True)).verdict is Verdict.FAIL
    long = Reach(length_m=Amount(value=900, unit="m"))
    assert cycle(LINE, SCAN, reach=long).verdict is Verdict.PASS
    assert cycle(Line(baud=115200), SCAN, reach=long).verdict is Verdict.FAIL
    assert cycle(Line(baud=115200), SCAN, reach=replace(long, cable="type-3")).verdict is Verdict.PASS


def test_no_segment_beyond_the_fastest() -> None:
    with pytest.raises(ValueError):
        fieldbus_segment_m(12_000_001)


def test_the_sum_of_the_round_can_be_followed() -> None:
    texts = [step.text for step in cycle(LINE, replace(SCAN, dead=1, gap_s=0.01)).steps]
    assert "one character: 11 bits / 19200 baud = 572.917 us" in texts
    assert "silence t3.5 = 2.0052 ms" in texts  # 3.5 * 11 bits / 19200 baud
    assert "round = 4 * 84.375 ms + 4 * 10 ms = 0.3775 s" in texts
    assert "with 1 dead: 0.29312 s + 1 * 3.01375 s = 3.3069 s" in texts


def test_a_line_that_is_drawn_before_its_devices_takes_no_time_and_breaks_nothing() -> None:
    working = cycle(LINE, replace(SCAN, devices=()), wanted_s=1.0)
    assert working.result[0].value == 0
    assert working.checks == (), "a time that nobody takes is not tested, so it cannot pass"


def test_what_was_given_is_told() -> None:
    told = dict(cycle(LINE, SCAN, wanted_s=2).inputs)
    assert (told["baud"], told["devices"], told["requests_a_round"]) == (19200, 4, 4)
    assert told["wanted"] == Amount(value=2, unit="s")


@pytest.mark.parametrize(("taps", "metres"), [(1, 20.0), (2, 20.0), (3, 40 / 3), (4, 10.0)])
def test_branches(taps: int, metres: float) -> None:
    """20 m for one, 40 m / n for an n-way tap. Source: MODBUS over Serial Line V1.02, 3.4.3."""
    assert derivation_m(taps) == pytest.approx(metres)


@pytest.mark.parametrize(
    ("baud", "inside_ms", "silence_ms"), [(19_200, 0.859375, 2.005208), (19_201, 0.75, 1.75)]
)
def test_silences_are_fixed_above_19200(baud: int, inside_ms: float, silence_ms: float) -> None:
    """Source: MODBUS over Serial Line V1.02, 2.5.1.1; 1.5 and 3.5 characters of 11 bits (computed)."""
    line = Line(baud=baud)
    assert (line.inside_s * 1e3, line.silence_s * 1e3) == pytest.approx((inside_ms, silence_ms), abs=1e-6)
    text = cycle(line, SCAN).steps[1].text
    assert text.endswith("(fixed above 19200 baud)") is (baud > 19_200)


def test_no_device_answers_before_it_was_asked() -> None:
    """5 ms, give or take 10: at the soonest at once."""
    unsure = replace(SCAN, response_s=Amount(value=0.005, unit="s", plus_minus=0.01))
    found = cycle(LINE, unsure).result[0]
    assert found.low == pytest.approx(found.value - 4 * 0.005)
    assert found.high == pytest.approx(found.value + 4 * 0.01)


def test_what_a_line_is_where_nothing_is_said() -> None:
    """11 bits a character (2.5.1); one second and two more attempts: common practice, no source."""
    assert Line(baud=19200).bits == 11
    assert (SCAN.gap_s, SCAN.dead, SCAN.timeout_s, SCAN.retries) == (0, 0, 1, 2)
    assert Reach() == Reach(length_m=None, cable="awg24", polarised=False, four_wire=False)


def test_a_wire_pair_carries_as_far_as_its_cable_until_the_bit_rate_is_less() -> None:
    """1000 m up to 100 kbit/s (1e8 / rate: common practice, no source); four wires as two: half."""
    assert trunk_m(100_000, Reach()) == 1000
    assert trunk_m(100_001, Reach()) < 1000
    assert trunk_m(9600, Reach(cable="awg26", four_wire=True)) == 500
    assert trunk_m(9600, Reach(cable="cat5", four_wire=True)) == 300


@pytest.mark.parametrize(
    ("baud", "metres"),
    [(93_750, 1200), (93_751, 1000), (187_501, 400), (500_001, 200), (1_500_001, 100), (12_000_000, 100)],
)
def test_a_fieldbus_segment_ends_with_its_bit_rate(baud: int, metres: float) -> None:
    """Source: IEC 61158 type 3, cable A (as third-party texts quote it)."""
    assert trunk_m(baud, Reach(cable="type-3")) == metres


@pytest.mark.parametrize(
    ("baud", "reach", "words"),
    [
        (9600, Reach(), "3.4"),
        (115_200, Reach(), "length * bit rate"),
        (115_200, Reach(cable="cat5"), "3.4"),
        (9600, Reach(cable="type-3"), "IEC 61158"),
    ],
)
def test_the_limit_of_a_trunk_names_what_it_comes_from(baud: int, reach: Reach, words: str) -> None:
    known = replace(reach, length_m=Amount(value=100, unit="m"))
    assert words in cycle(Line(baud=baud), SCAN, reach=known).checks[1].source


def test_a_round_that_is_just_kept_holds_the_device() -> None:
    """Four of 84.375 ms: 337.5 ms hold four, a millisecond less holds three."""
    assert devices_that_fit(LINE, SCAN, 0.3375) == 4
    assert devices_that_fit(LINE, SCAN, 0.3365) == 3
