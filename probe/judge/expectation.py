"""The list of everything that a run must give a verdict on, written down before anything is asked."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.check import DeviceCheck, LineupCheck, Subject
from probe.judge.registry import DEVICE_CHECKS, LINEUP_CHECKS
from probe.model.finding import Expectation
from probe.model.lineup import Lineup
from probe.model.scope import Scope

#: The one verdict that a device has for which the user asked no test at all.
LEFT_OUT_CHECK = "reach.answers"

Agenda = tuple[tuple[DeviceCheck, bool], ...]


def subject_of(lineup: Lineup, scope: Scope, tag: str) -> Subject:
    """The device of a tag with all that decides which checks apply."""
    device = lineup.map.by_tag[tag]
    return Subject(lineup, device, lineup.profile_of(device), scope)


#: What a run for clocks alone judges: that the device answers, that it is the right one, and its clock.
_CLOCK_FAMILIES = ("reach", "reply", "identity", "proof", "clock")
#: It reads few points, so that it says nothing of how many can be read.
_NOT_WITH_CLOCKS = "reply.complete"


def _is_for_clocks(check: DeviceCheck) -> bool:
    return check.id.partition(".")[0] in _CLOCK_FAMILIES and check.id != _NOT_WITH_CLOCKS


#: What a run for protective settings alone judges: the right device, alive, its ratings and its settings.
_SETTING_FAMILIES = ("reach", "reply", "identity", "proof", "settings")
_WITH_SETTINGS = ("fresh.device", "ratings.drawn", "state.maintenance")
_ACROSS_SETTINGS = ("run", "settings")


def _is_for_settings(check: DeviceCheck) -> bool:
    family = check.id.partition(".")[0]
    return (family in _SETTING_FAMILIES and check.id != _NOT_WITH_CLOCKS) or check.id in _WITH_SETTINGS


def lineup_checks_of(scope: Scope) -> tuple[LineupCheck, ...]:
    """The checks across devices that a run of this scope is for."""
    if not scope.settings_only:
        return LINEUP_CHECKS
    return tuple(check for check in LINEUP_CHECKS if check.id.partition(".")[0] in _ACROSS_SETTINGS)


def agenda_of(subject: Subject) -> Agenda:
    """Checks to run on a device in the order of the register, and whether each must give a verdict."""
    scope = subject.scope
    wanted = (
        check
        for check in DEVICE_CHECKS
        if (not scope.clocks_only or _is_for_clocks(check))
        and (not scope.settings_only or _is_for_settings(check))
    )
    pairs = ((check, check.applies(subject)) for check in wanted)
    return tuple((check, due) for check, due in pairs if due or check.unasked)


class Agendas:
    """What is due in one run: worked out once for expectation, judgement and conclusion."""

    __slots__ = ("_agendas", "_alike", "_expectations", "lineup", "scope")

    def __init__(self, lineup: Lineup, scope: Scope) -> None:
        self.lineup = lineup
        self.scope = scope
        self._agendas: dict[str, Agenda] = {}
        self._alike: dict[Agenda, Agenda] = {}  # most devices of a profile share one
        self._expectations: tuple[Expectation, ...] | None = None

    def of(self, subject: Subject) -> Agenda:
        """The agenda of a device of this run."""
        tag = subject.device.tag
        known = self._agendas.get(tag)
        if known is None:
            made = agenda_of(subject)
            known = self._agendas[tag] = self._alike.setdefault(made, made)
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
                subject = Subject(self.lineup, device, self.lineup.profile_of(device), self.scope)
                for check, due in self.of(subject):
                    if due:
                        required = device.required and check.required(subject)
                        yield Expectation(check=check.id, subject=device.tag, required=required)
            elif device.tag in left_out:
                yield Expectation(check=LEFT_OUT_CHECK, subject=device.tag, required=False)
        for across in lineup_checks_of(self.scope):
            for name in across.subjects(self.lineup, self.scope):
                yield Expectation(check=across.id, subject=name, required=across.required)


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
