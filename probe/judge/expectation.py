"""The list of everything that a run must give a verdict on, written down before anything is asked."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.check import DeviceCheck, Subject
from probe.judge.registry import DEVICE_CHECKS, LINEUP_CHECKS
from probe.model.finding import Expectation
from probe.model.lineup import Lineup
from probe.model.scope import Scope

#: The one verdict that a device has for which the user asked no test at all.
LEFT_OUT_CHECK = "reach.answers"


def subject_of(lineup: Lineup, scope: Scope, tag: str) -> Subject:
    """The device of a tag with all that decides which checks apply."""
    device = lineup.map.by_tag[tag]
    return Subject(lineup, device, lineup.profile_of(device), scope)


def checks_for(subject: Subject) -> list[DeviceCheck]:
    """Checks that must give a verdict on the device, in the order of the register."""
    return [check for check in DEVICE_CHECKS if check.applies(subject)]


def expected(lineup: Lineup, scope: Scope) -> tuple[Expectation, ...]:
    """Everything that the run must give a verdict on: device by device in the map's order, lineup last.

    A device that the user left out has one entry, not required, so that it shows as not tested.
    """
    return tuple(_expected(lineup, scope))


def _expected(lineup: Lineup, scope: Scope) -> Iterator[Expectation]:
    wanted, left_out = set(scope.tags), set(scope.left_out)
    for device in lineup.map.devices:
        if device.tag in wanted:
            subject = Subject(lineup, device, lineup.profile_of(device), scope)
            for check in checks_for(subject):
                required = device.required and check.required(subject)
                yield Expectation(check=check.id, subject=device.tag, required=required)
        elif device.tag in left_out:
            yield Expectation(check=LEFT_OUT_CHECK, subject=device.tag, required=False)
    for across in LINEUP_CHECKS:
        for name in across.subjects(lineup, scope):
            yield Expectation(check=across.id, subject=name, required=across.required)
