"""Where a type of device holds its protective settings: the compiled ``settings:`` of a profile."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from probe.model.protection import Shape

#: Low and high, both in percent or both in seconds, around what is set.
Band = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A word that a point shows: (raw & mask) is one of the values that mean it (mask 0: all bits)."""

    point: str
    means: Mapping[str, tuple[int, ...]]
    mask: int = 0

    def word(self, raw: int) -> str:
        """The word that the raw value means, "" for none."""
        shown = raw & self.mask if self.mask else raw
        return next((word for word, raws in self.means.items() if shown in raws), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A pickup or threshold. base: of what the point shows a multiple, "" for amperes.

    step, low, high: what can be set, in the unit of the point (amperes or multiples); None where the profile
    does not say. off: values of the point that mean "off". tolerance_percent: of the pickup, None unknown.
    """

    point: str
    base: str = ""
    step: float | None = None
    low: float | None = None
    high: float | None = None
    off: tuple[float, ...] = ()
    tolerance_percent: Band | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """A delay. multiple, base: of which current it counts when the shape depends on current (0: nowhere).

    flat_beyond: an I²t delay that does not fall below the set time. tolerance_percent, tolerance_s: both
    widen the time; None unknown.
    """

    point: str
    multiple: float = 0.0
    base: str = ""
    flat_beyond: bool = False
    step: float | None = None
    low: float | None = None
    high: float | None = None
    tolerance_percent: Band | None = None
    tolerance_s: Band | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FunctionRule:
    """One protection function. enabled: None if always on. clearing_s: added to each time, None unknown."""

    function: str
    pickup: Level
    delay: Timing | None = None
    shape: Shape | Choice | None = None
    enabled: Choice | None = None
    clearing_s: Band | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRule:
    """One group of settings. own: functions that it holds itself; the others are those of its base."""

    name: str
    title: str
    functions: Mapping[str, FunctionRule]
    own: frozenset[str]
    alarms: Mapping[str, Level] = field(default_factory=dict)

    def points(self) -> Iterator[str]:
        """Names of the points that the group's own settings need."""
        for name in self.functions:
            if name in self.own:
                yield from function_points(self.functions[name])
        for level in self.alarms.values():
            yield level.point


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsRule:
    """All groups of a type. sensor, plug: points with the ratings, "" for none.

    active: which group is in force (its words are groups). writing: whether settings can be written over the
    network (words on, off).
    """

    groups: Mapping[str, GroupRule]
    sensor: str = ""
    plug: str = ""
    active: Choice | None = None
    writing: Choice | None = None

    def points(self) -> tuple[str, ...]:
        """Names of all points that settings need, each once."""
        names = [name for group in self.groups.values() for name in group.points()]
        names += [choice.point for choice in (self.active, self.writing) if choice is not None]
        return tuple(dict.fromkeys([*names, *filter(None, (self.sensor, self.plug))]))


def function_points(rule: FunctionRule) -> Iterator[str]:
    """Names of the points of one function."""
    yield rule.pickup.point
    if rule.delay is not None:
        yield rule.delay.point
    for choice in (rule.shape, rule.enabled):
        if isinstance(choice, Choice):
            yield choice.point
