"""Random lineups with one fault, two or none, down to their bytes: what the diagnosis says of them.

A bounded, seeded sample against the thresholds; ``python -m bench.diagnosis`` runs thousands and shows where
it errs. The trials are drawn by ``probe.practice.trial``, which knows nothing of the diagnosis.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probe.collect.inputs import open_library
from probe.model.evidence import Exchange
from probe.practice.trial.exam import (
    DELTA,
    HEALTHY,
    OF_DELTA,
    OF_ONE_PHASE,
    ONE_PHASE,
    Mark,
    drawn,
    judged,
    sat,
)
from probe.practice.trial.fault import FAULTS
from probe.practice.trial.lineup import Stock

EACH, SOUND, LIGHT, PAIRS_EACH, ONE_PHASE_EACH = 16, 60, 16, 10, 8
#: Two faults that leave each other to be seen.
PAIRS = ("byte order + reversed CT", "wye or delta + reversed CT", "scale + voltage missing")


@cache
def stock() -> Stock:
    return Stock(open_library().get)


@cache
def marks(fault: str, many: int, light: bool = False) -> tuple[Mark, ...]:
    return tuple(sat(fault, f"test {n}", stock(), light=light) for n in range(many))


def all_marks() -> Iterator[Mark]:
    for fault in FAULTS:
        yield from marks(fault, EACH)
    for fault in (*OF_ONE_PHASE, *OF_DELTA):
        yield from marks(fault, ONE_PHASE_EACH)


@pytest.mark.parametrize("fault", FAULTS)
def test_most_of_each_fault_are_named_first(fault: str) -> None:
    wrong = [(mark.truths, mark.said) for mark in marks(fault, EACH) if not mark.right]
    assert len(wrong) <= 2, wrong


@pytest.mark.parametrize("fault", [*OF_ONE_PHASE, *OF_DELTA])
def test_most_of_each_fault_of_other_systems_are_named_first(fault: str) -> None:
    wrong = [(mark.truths, mark.said) for mark in marks(fault, ONE_PHASE_EACH) if not mark.right]
    assert len(wrong) <= 1, wrong


def test_the_right_cause_comes_first_in_97_of_100_single_faults() -> None:
    found = list(all_marks())
    assert sum(mark.right for mark in found) >= 0.97 * len(found)


def test_the_place_and_what_physics_leaves_open_are_named() -> None:
    found = list(all_marks())
    assert sum(mark.named for mark in found) >= 0.95 * len(found)


def test_sound_devices_are_not_blamed() -> None:
    """At most one in 200 false alarms, in sound lineups and beside faulty devices."""
    found = [*all_marks(), *marks(HEALTHY, SOUND), *marks(HEALTHY, LIGHT, light=True)]
    found += [*marks(ONE_PHASE + HEALTHY, LIGHT), *marks(DELTA + HEALTHY, LIGHT)]
    assert sum(mark.alarms for mark in found) <= 0.005 * sum(mark.sound for mark in found)


def test_a_sound_lineup_has_no_cause() -> None:
    found = [*marks(HEALTHY, SOUND), *marks(ONE_PHASE + HEALTHY, LIGHT), *marks(DELTA + HEALTHY, LIGHT)]
    assert [mark.causes for mark in found if mark.causes] == []


def test_a_sign_that_all_devices_of_a_profile_share_is_one_cause() -> None:
    several = [mark for mark in marks("sign of powers", EACH) if len(mark.truths[0].tags) > 1]
    assert several
    for mark in several:
        first = mark.causes[0]
        assert first.kind == "sign of powers", first
        assert set(first.subjects) == set(mark.truths[0].tags)
        assert "minus before `scale:`" in first.fix


def test_a_bus_that_turns_the_other_way_is_one_cause_of_the_bus() -> None:
    drawn_as_one = [m for m in marks("reversed rotation", EACH) if len(m.truths[0].tags) > 1]
    assert drawn_as_one
    for mark in drawn_as_one:
        assert mark.causes[0].kind == "reversed rotation"
        assert "before any motor is started" in mark.causes[0].fix


@pytest.mark.parametrize("fault", PAIRS)
def test_two_faults_at_once_are_both_named(fault: str) -> None:
    found = marks(fault, PAIRS_EACH)
    assert sum(mark.right for mark in found) >= 0.8 * len(found), [mark.said for mark in found]


def test_when_it_is_sure_it_is_right_and_when_it_errs_it_says_that_it_is_unsure() -> None:
    found = list(all_marks())
    sure = [mark for mark in found if mark.permille >= 900]
    assert len(sure) > 0.5 * len(found)
    assert sum(mark.right for mark in sure) >= 0.98 * len(sure)


def test_every_cause_says_what_to_do_and_explains_something() -> None:
    for mark in all_marks():
        for cause in mark.causes:
            assert cause.explains
            assert cause.fix
            assert 0 < cause.confidence_permille <= 1000
            assert "{" not in cause.statement + cause.fix


def test_wiring_of_current_transformers_comes_with_its_caution() -> None:
    fixes = [c.fix for m in marks("reversed CT", EACH) for c in m.causes if "reversed" in c.kind]
    assert fixes
    assert all("Never open a current transformer" in fix and "qualified" in fix for fix in fixes)


#: Bytes that numbers stumble over: nothing, all ones, infinities, NaN, subnormals, the largest.
AWKWARD = ("00000000", "FFFFFFFF", "7F800000", "FF800000", "7FC00000", "00000001", "7F7FFFFF", "80000000")


@settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10_000), awkward=st.sampled_from(AWKWARD), every=st.integers(1, 9))
def test_no_bytes_of_a_device_can_stop_the_diagnosis(seed: int, awkward: str, every: int) -> None:
    trial, _, evidence = drawn(HEALTHY, f"bytes {seed}", stock())
    dice = Random(seed)
    spoiled = {
        tag: replace(
            told, exchanges=tuple((n, _spoiled(one, awkward, every, dice)) for n, one in told.exchanges)
        )
        for tag, told in evidence.items()
    }
    said = judged(trial, spoiled)
    assert said.findings
    assert all(0 < cause.confidence_permille <= 1000 for cause in said.causes)


def _spoiled(one: Exchange, awkward: str, every: int, dice: Random) -> Exchange:
    """The exchange with some pairs of registers replaced by awkward or random ones."""
    data = bytearray(one.response)
    for at in range(9, len(data) - 3, 4):
        if dice.randrange(every) == 0:
            data[at : at + 4] = bytes.fromhex(awkward) if dice.random() < 0.7 else dice.randbytes(4)
    return one._replace(response=bytes(data))
