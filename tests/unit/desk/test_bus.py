"""Round of a segment: pauses, uncertainty, dead devices, reach. The standard: tests/outside."""

from dataclasses import replace

import pytest

from probe.desk.bus import (
    Line,
    Reach,
    Round,
    cycle,
    cycle_s,
    devices_that_fit,
    fieldbus_segment_m,
    reply_bytes,
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
