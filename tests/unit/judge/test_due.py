"""What is due is the same whether it is asked once for a profile or of each device."""

from __future__ import annotations

import functools

import pytest

from probe.judge.check import Subject
from probe.judge.due import for_all
from probe.judge.expectation import device_checks_of, expected, subject_of
from probe.model.finding import Expectation
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.practice.offline import Clock, practice_lineup
from probe.practice.scenario import bundled_scenario


@functools.cache
def _lineup() -> Lineup:
    return practice_lineup(bundled_scenario("healthy"), Clock())[0]


def _asked_each(lineup: Lineup, scope: Scope) -> list[Expectation]:
    """The slow way: every check is asked about every device."""
    wanted = []
    for tag in scope.tags:
        subject = subject_of(lineup, scope, tag)
        for check in device_checks_of(scope):
            if check.applies(subject):
                required = subject.device.required and check.required(subject)
                wanted.append(Expectation(check.id, tag, required))
    return wanted


@pytest.mark.parametrize(
    "changes", [{}, {"quick": True}, {"dwell_s": 900.0}, {"clocks_only": True}, {"settings_only": True}]
)
def test_asking_a_profile_gives_what_asking_each_device_gives(changes: dict[str, object]) -> None:
    lineup = _lineup()
    tags = tuple(device.tag for device in lineup.map.devices)
    scope = Scope(tags=tags, **changes)  # type: ignore[arg-type]
    of_devices = [one for one in expected(lineup, scope) if one.subject in lineup.map.by_tag]
    by_device = [one for one in of_devices if one.check in {c.id for c in device_checks_of(scope)}]
    assert by_device == _asked_each(lineup, scope)
    assert len(by_device) > len(tags)


def test_what_looks_at_the_device_is_not_settled_for_all_of_a_profile() -> None:
    lineup = _lineup()
    tag = lineup.map.devices[0].tag
    subject = subject_of(lineup, Scope(tags=(tag,)), tag)

    def tells_nothing(_: Subject) -> bool:
        return True

    def by_profile(asked: Subject) -> bool:
        return not asked.profile.points

    def by_tag(asked: Subject) -> bool:
        return asked.device.tag == tag

    def by_place(asked: Subject) -> bool:
        return asked.device in asked.lineup.map.devices

    def by_guess(asked: Subject) -> bool:
        try:
            return asked.device.required
        except Exception:  # noqa: BLE001 - a check that takes anything for "no" must be found out as well
            return False

    assert for_all(tells_nothing, subject) is True
    assert for_all(by_profile, subject) is False
    for ask in (by_tag, by_place, by_guess):
        assert for_all(ask, subject) is None
