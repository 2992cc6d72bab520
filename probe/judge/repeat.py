"""Repeat: what a retest asks and judges: just what failed or was not tested, after what must come first.

Who a device is, its proof point and whether it is alive are asked and judged again for every device that is
asked at all: identity before values, freshness before pass, in a retest too. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from probe.judge.check import DeviceCheck, LineupCheck
from probe.judge.gates import FRESHNESS_CHECK
from probe.model.scope import Scope

#: In place of a check: all of the device.
ALL = "*"
#: In place of a check: read for a check across devices, but not judged by itself (``settings.*@52-T``).
READ = ".*"
#: What checks across devices read of each, by family or check; of others who each is.
_READ_FOR = {
    "settings": "settings", "clock": "clock", "electrical": "values", "lineup.counters_twice": "values",
    "lineup.weight": "values",
}  # fmt: skip
#: What is judged again whatever is repeated.
_FIRST_FAMILIES = ("identity", "proof")
_FIRST = ("reach.answers",)
#: Across devices, what is said of every run; and what follows from the map alone.
_OF_THE_RUN, _OF_THE_MAP = "run", "desk"


def family_of(check: str) -> str:
    """The first part of a check's id: ``clock`` of ``clock.skew``."""
    return check.partition(".")[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What of a device must be read: its clock, its settings, all its values."""

    clock: bool
    settings: bool
    values: bool


def read_for(check: str) -> str:
    """What stands in a scope for each device that a check across devices needs; empty for nothing more."""
    part = _READ_FOR.get(check) or _READ_FOR.get(family_of(check))
    return f"{part}{READ}" if part else ""


def told(checks: Iterable[str]) -> tuple[int, int]:
    """How many devices are repeated whole, and how many single checks."""
    names = [one.partition("@")[0] for one in checks]
    whole = sum(name == ALL for name in names)
    return whole, sum(not name.endswith(READ) for name in names) - whole


class Repeat:
    """The checks of a retest, by subject."""

    def __init__(self, checks: Iterable[str]) -> None:
        self._by_subject: dict[str, set[str]] = {}
        for one in checks:
            check, _, subject = one.partition("@")
            self._by_subject.setdefault(subject, set()).add(check)

    def on_device(self, check: DeviceCheck, tag: str) -> bool:
        """Whether the check is due on the device."""
        wanted = self._by_subject.get(tag, set())
        if ALL in wanted or check.id in wanted or check.id in _FIRST:
            return True
        if check.id == FRESHNESS_CHECK:
            asked = self.asked(tag)
            return asked.values or asked.settings
        return family_of(check.id) in _FIRST_FAMILIES

    def across(self, check: LineupCheck, subject: str) -> bool:
        """Whether the check across devices is due on the subject."""
        return family_of(check.id) == _OF_THE_RUN or check.id in self._by_subject.get(subject, set())

    def asked(self, tag: str) -> Asked:
        """What must be read of the device, for its own checks and for those across devices that need it."""
        wanted = self._by_subject.get(tag, set())
        if ALL in wanted:
            return Asked(clock=True, settings=True, values=True)
        families = {family_of(check) for check in wanted} - {*_FIRST_FAMILIES, _OF_THE_RUN, _OF_THE_MAP}
        return Asked(
            clock="clock" in families,
            settings="settings" in families,
            values=bool(families - {"clock", "settings"}),
        )

    def asks_units(self) -> bool:
        """Whether units that nobody should answer for are to be looked for."""
        return any(ALL in wanted or any(family_of(c) == "bus" for c in wanted)
                   for wanted in self._by_subject.values())  # fmt: skip


def repeat_of(scope: Scope) -> Repeat | None:
    """What the run repeats; None for a run that is no retest of single checks."""
    return Repeat(scope.checks) if scope.checks else None
