"""Faults that show only when somebody sets a device's clock (``clock --set``)."""

from __future__ import annotations

from probe.practice.fault import Fault, FaultKind, Place
from probe.practice.part import Part, Stage


def _refuses(_stage: Stage, part: Part, fault: Fault) -> None:
    part.refuses_writes = 2 if fault.number is None else int(fault.number)


def _ignores(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.ignores_writes = True


def _reverts(_stage: Stage, part: Part, fault: Fault) -> None:
    part.reverts_after_s = fault.seconds_or(30.0)


SET_FAULTS = (
    FaultKind(
        name="write-refused",
        does="the device answers exception 2, or `number`, when its clock is set",
        sees="Nothing in an audit. `clock --set`: refused by the device, with the exception.",
        checks=(),
        place=Place.CLOCK,
        apply=_refuses,
        takes=("number",),
        harmless=True,
    ),
    FaultKind(
        name="write-ignored",
        does="the device says yes when its clock is set, and keeps its old time",
        sees="Nothing in an audit. `clock --set`: the clock did not take the time that was written.",
        checks=(),
        place=Place.CLOCK,
        apply=_ignores,
        harmless=True,
    ),
    FaultKind(
        name="write-reverted",
        does="another master sets the clock back `seconds` (30) after it was set",
        sees="Nothing in an audit. `clock --set --settle 1m`: set, then reverted.",
        checks=(),
        place=Place.CLOCK,
        apply=_reverts,
        takes=("seconds",),
        harmless=True,
    ),
)
