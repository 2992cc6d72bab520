"""The list of everything that a run must give a verdict on, written down before anything is asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from operator import itemgetter
from typing import NamedTuple

from probe.judge.check import Check, DeviceCheck, LineupCheck, Subject
from probe.judge.due import Applies, Due, due_of
from probe.judge.registry import DEVICE_CHECKS, LINEUP_CHECKS
from probe.judge.repeat import Repeat, repeat_of
from probe.model.device_map import Device
from probe.model.finding import Expectation, Finding
from probe.model.lineup import Lineup
from probe.model.scope import Scope

#: The one verdict that a device has for which the user asked no test at all.
LEFT_OUT_CHECK = "reach.answers"

Agenda = tuple[tuple[DeviceCheck, bool], ...]

_NONE: frozenset[str] = frozenset()
_check_of: Callable[[Finding], str] = itemgetter(0)


class _Alike(NamedTuple):
    """What devices of a profile to which the same checks apply share. due: those that must give a verdict."""

    agenda: Agenda
    due: tuple[Due, ...]
    ids: frozenset[str]  # of those due


def subject_of(lineup: Lineup, scope: Scope, tag: str) -> Subject:
    """The device of a tag with all that decides which checks apply."""
    device = lineup.map.by_tag[tag]
    return Subject(lineup, device, lineup.profile_of(device), scope)


#: What a run for clocks alone judges: that the device answers, that it is the right one, and its clock.
_CLOCK_FAMILIES = ("reach", "reply", "identity", "proof", "clock")
#: Runs that read few points say nothing of how many can be read.
_ALL_POINTS = "reply.complete"
#: Firmware says nothing of a clock.
_NOT_WITH_CLOCKS = (_ALL_POINTS, "identity.firmware")
#: Across devices: beside the run and its clocks only whether each is the one that was meant.
_ACROSS_CLOCKS = ("lineup.serial_twice", "lineup.places")


def _is_for_clocks(check: DeviceCheck) -> bool:
    return check.id.partition(".")[0] in _CLOCK_FAMILIES and check.id not in _NOT_WITH_CLOCKS


#: What a run for protective settings alone judges: the right device, alive, its ratings and its settings.
_SETTING_FAMILIES = ("reach", "reply", "identity", "proof", "settings")
_WITH_SETTINGS = ("fresh.device", "ratings.drawn", "state.maintenance")
_ACROSS_SETTINGS = ("run", "settings")


def _is_for_settings(check: DeviceCheck) -> bool:
    family = check.id.partition(".")[0]
    return (family in _SETTING_FAMILIES and check.id != _ALL_POINTS) or check.id in _WITH_SETTINGS


#: What a run judges in which people act: who it is that answers; all else are the steps themselves.
_WITNESS_FAMILIES = ("identity", "proof")
_WITH_WITNESS = "reach.answers"
#: What a run judges in which people look and measure: their lines, and what is drawn; it asks no device.
_ACROSS_CHECKLIST = ("checklist", "desk")


def _is_for_witness(check: DeviceCheck) -> bool:
    return check.id.partition(".")[0] in _WITNESS_FAMILIES or check.id == _WITH_WITNESS


def _is_across_sheets(check: LineupCheck, scope: Scope) -> bool:
    """A run with devices is for procedures, one without asks nobody: it is for checklists alone."""
    family = check.id.partition(".")[0]
    ours = family == "witness" or check.id == "run.clock_step"
    return family in _ACROSS_CHECKLIST or (ours and bool(scope.tags))


def _is_across_clocks(check: LineupCheck) -> bool:
    return check.id.partition(".")[0] in ("run", "clock") or check.id in _ACROSS_CLOCKS


#: What a survey judges: the network, and beside it whether each device is the one that was meant.
_SURVEY_FAMILIES = ("network", "switch", "ups", "link")
#: What a link-loss test judges, beside the devices that are asked who they are after it.
_WITH_FAILOVER = ("link.outage", "link.back", "run.clock_step")
_AFTER_LOSS = "reach.answers"
_WITH_SURVEYS = ("reach.answers", "run.clock_step", *_ACROSS_CLOCKS)


def _is_for_surveys(check: Check) -> bool:
    family = check.id.partition(".")[0]
    if family == "identity":
        return check.id != "identity.hardware_address"  # the network's own check sees more
    return family in _SURVEY_FAMILIES or check.id in _WITH_SURVEYS


def lineup_checks_of(scope: Scope) -> tuple[LineupCheck, ...]:
    """The checks across devices that a run of this scope is for."""
    if scope.survey is not None and scope.survey.failover:
        return tuple(check for check in LINEUP_CHECKS if check.id in _WITH_FAILOVER)
    if scope.survey is not None:
        return tuple(check for check in LINEUP_CHECKS if _is_for_surveys(check))
    if scope.sheets:
        return tuple(check for check in LINEUP_CHECKS if _is_across_sheets(check, scope))
    if scope.clocks_only:
        return tuple(check for check in LINEUP_CHECKS if _is_across_clocks(check))
    if not scope.settings_only:
        return LINEUP_CHECKS
    return tuple(check for check in LINEUP_CHECKS if check.id.partition(".")[0] in _ACROSS_SETTINGS)


def device_checks_of(scope: Scope) -> tuple[DeviceCheck, ...]:
    """The checks on devices that a run of this scope is for, in the order of the register."""
    return tuple(
        check
        for check in DEVICE_CHECKS
        if (not scope.clocks_only or _is_for_clocks(check))
        and (not scope.settings_only or _is_for_settings(check))
        and (not scope.sheets or _is_for_witness(check))
        and (scope.survey is None or _is_for_surveys(check))
        and (scope.survey is None or not scope.survey.failover or check.id == _AFTER_LOSS)
    )


class Agendas:
    """What is due in one run: worked out once for expectation, judgement and conclusion."""

    __slots__ = ("_alike", "_applies", "_checks", "_expectations", "_known", "_repeat", "lineup", "scope")

    def __init__(self, lineup: Lineup, scope: Scope) -> None:
        self.lineup = lineup
        self.scope = scope
        self._known: dict[str, _Alike] = {}
        self._checks = device_checks_of(scope)
        self._repeat: Repeat | None = repeat_of(scope)
        self._applies: dict[str, Applies] = {}  # by the name of the profile
        self._alike: dict[tuple[str, tuple[bool, ...]], _Alike] = {}  # most devices of a profile share one
        self._expectations: tuple[Expectation, ...] | None = None

    def of(self, subject: Subject) -> Agenda:
        """The checks to run on a device of this run, and whether each must give a verdict."""
        return self._of(subject).agenda

    def _of(self, subject: Subject) -> _Alike:
        tag = subject.device.tag
        known = self._known.get(tag)
        if known is None:
            name = subject.device.profile
            if name not in self._applies:
                self._applies[name] = Applies(self._checks, subject)
            applies = self._applies[name].to(subject)
            if (repeat := self._repeat) is not None:
                due = [repeat.on_device(check, tag) for check in self._checks]
                applies = tuple([one and other for one, other in zip(applies, due, strict=True)])
            known = self._alike.get((name, applies))
            if known is None:
                known = self._alike[name, applies] = _alike(self._checks, applies, subject)
            self._known[tag] = known
        return known

    @property
    def expectations(self) -> tuple[Expectation, ...]:
        """Everything that the run must give a verdict on."""
        if self._expectations is None:
            self._expectations = tuple(self._expected())
        return self._expectations

    def _expected(self) -> Iterator[Expectation]:
        wanted, left_out = set(self.scope.tags), set(self.scope.left_out)
        for device in self.lineup.map.devices:
            if device.tag in wanted:
                yield from self._of_device(device)
            elif device.tag in left_out:
                yield Expectation(check=LEFT_OUT_CHECK, subject=device.tag, required=False)
        for across in lineup_checks_of(self.scope):
            for name in across.subjects(self.lineup, self.scope):
                if self.is_due_across(across, name):
                    yield Expectation(check=across.id, subject=name, required=across.required)

    def met(self, tag: str, findings: Iterable[Finding]) -> frozenset[str]:
        """The checks due on a device of this run if the findings hold a verdict of each, else none."""
        known = self._known.get(tag)
        return known.ids if known is not None and known.ids.issubset(map(_check_of, findings)) else _NONE

    def is_due_across(self, check: LineupCheck, subject: str) -> bool:
        """Whether a check across devices is due on a subject: in a retest only what it repeats."""
        return self._repeat is None or self._repeat.across(check, subject)

    def _of_device(self, device: Device) -> Iterator[Expectation]:
        tag, required = device.tag, device.required
        subject = Subject(self.lineup, device, self.lineup.profile_of(device), self.scope)
        new = tuple.__new__  # as Expectation(...), which passes through a Python function
        for name, check, always in self._of(subject).due:
            wanted = check.required(subject) if always is None else always
            yield new(Expectation, (name, tag, required and wanted))


def _alike(checks: Sequence[DeviceCheck], applies: Sequence[bool], subject: Subject) -> _Alike:
    pairs = tuple(zip(checks, applies, strict=True))
    speaks = not subject.scope.checks  # a retest repeats just some: none speaks there without being asked
    agenda = tuple(pair for pair in pairs if pair[1] or (speaks and pair[0].unasked))
    due = tuple(due_of(check, subject) for check, due in pairs if due)
    return _Alike(agenda, due, frozenset(one.id for one in due))


_last: list[Agendas] = []


def agendas_of(lineup: Lineup, scope: Scope) -> Agendas:
    """The agendas of a run; those of the last one are kept, since everything in a run asks for them."""
    known = _last[0] if _last else None
    if known is None or known.lineup is not lineup or known.scope is not scope:
        known = Agendas(lineup, scope)
        _last[:] = [known]
    return known


def expected(lineup: Lineup, scope: Scope) -> tuple[Expectation, ...]:
    """Everything that the run must give a verdict on: device by device in the map's order, lineup last.

    A device that the user left out has one entry, not required, so that it shows as not tested.
    """
    return agendas_of(lineup, scope).expectations
