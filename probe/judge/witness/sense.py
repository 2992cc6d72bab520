"""What a device's registers say in the words of a procedure: points to signals.

A ``Sense`` knows a profile; given the raw values of points it gives the value of each signal that rests on
them. Values are words (``closed``, ``present``) or numbers. A raw value that the profile gives no word to
(a breaker that is ``moving``) keeps the point's own word, or its number.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from probe.model.profile import AlarmRule, Point, Profile, StateRule
from probe.model.reading import Quality, Value
from probe.model.signal_words import ABSENT, PRESENT, Signal

SignalValue = str | float
#: Decoded value and what it is worth, by name of the point.
Values = Mapping[str, tuple[Value, Quality]]

_STATES = ("breaker", "position", "maintenance")


@dataclass(slots=True)
class Sense:
    """Which signals a profile has, and how each follows from its points."""

    profile: Profile
    states: dict[Signal, StateRule] = field(default_factory=dict)
    alarms: dict[Signal, AlarmRule] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for rule in self.profile.states:
            signal = Signal("bus", rule.bus) if rule.state == "communication" else Signal("state", rule.state)
            self.states[signal] = rule
        for alarm in self.profile.alarms:
            self.alarms[Signal("alarm", alarm.name)] = alarm

    @property
    def standing(self) -> tuple[Signal, ...]:
        """Signals that are watched in every device, whatever the step is about."""
        ring = ("ring_state",) if "ring_state" in self.profile.by_name else ()
        return (*self.states, *self.alarms, *(Signal("point", name) for name in ring))

    def has(self, signal: Signal) -> bool:
        """True if a device of this type can show the signal."""
        if signal.kind in ("answers",):
            return True
        if signal.kind == "clock":
            return self.profile.clock is not None
        return bool(self.points_of(signal))

    def points_of(self, signal: Signal) -> tuple[str, ...]:
        """Names of the points that the signal rests on; empty if the type does not have it."""
        if signal in self.states:
            return (self.states[signal].point,)
        if signal in self.alarms:
            return (self.alarms[signal].point,)
        if signal.kind == "any":
            return tuple(dict.fromkeys(rule.point for rule in self._of_severity(signal.name)))
        if signal.kind == "point":
            return (signal.name,) if signal.name in self.profile.by_name else ()
        if signal.kind == "pickup":
            return self._pickup_points(signal.name)
        if signal.kind == "clock" and self.profile.clock is not None:
            return (self.profile.clock.point,)
        return ()

    def _of_severity(self, severity: str) -> Iterator[AlarmRule]:
        return (rule for rule in self.profile.alarms if rule.severity == severity)

    def _pickup_points(self, function: str) -> tuple[str, ...]:
        """All pickups of the function and what tells the group; () unless maintenance can change it."""
        rule = self.profile.settings
        maintenance = self.states.get(Signal("state", "maintenance"))
        if rule is None or maintenance is None or "maintenance" not in rule.groups:
            return ()
        names = [g.functions[function].pickup.point for g in rule.groups.values() if function in g.functions]
        active = [rule.active.point] if rule.active is not None else []
        return tuple(dict.fromkeys([*names, *active, maintenance.point])) if names else ()

    def values(self, signals: Iterable[Signal], known: Values) -> Iterator[tuple[Signal, SignalValue]]:
        """The signals whose points are all known, with their values."""
        for signal in signals:
            value = self.value(signal, known)
            if value is not None:
                yield signal, value

    def value(self, signal: Signal, known: Values) -> SignalValue | None:
        """The signal's value; None if not all its points are known or one of them says "not available"."""
        names = self.points_of(signal)
        if signal.kind == "clock":
            return None  # right or wrong beside this computer's clock only: see ``device_log``
        if not names or any(name not in known or known[name][1] is not Quality.GOOD for name in names):
            return None
        if signal in self.states:
            return self._state(self.states[signal], known)
        if signal in self.alarms:
            return PRESENT if _is_active(self.alarms[signal], known) else ABSENT
        if signal.kind == "any":
            rules = self._of_severity(signal.name)
            return PRESENT if any(_is_active(rule, known) for rule in rules) else ABSENT
        if signal.kind == "pickup":
            return self._pickup(signal.name, known)
        return _plain(self.profile.by_name[signal.name], known[signal.name][0])

    def _state(self, rule: StateRule, known: Values) -> SignalValue:
        raw = _raw(known[rule.point][0])
        shown = raw & rule.mask if rule.mask else raw
        word = next((word for word, raws in rule.means.items() if shown in raws), "")
        return word or self.profile.by_name[rule.point].values.get(raw, f"unknown ({shown})")

    def _pickup(self, function: str, known: Values) -> SignalValue | None:
        rule = self.profile.settings
        assert rule is not None  # points_of has made sure
        on = self._state(self.states[Signal("state", "maintenance")], known) == "on"
        active = "normal" if rule.active is None else rule.active.word(_raw(known[rule.active.point][0]))
        group = rule.groups.get("maintenance" if on else active)
        if group is None or function not in group.functions:
            return None
        value = known[group.functions[function].pickup.point][0]
        return float(value) if isinstance(value, int | float) else None

    def title(self, signal: Signal) -> str:
        """The signal as people say it, by the profile's own titles."""
        if signal in self.alarms:
            return f'alarm "{self.alarms[signal].title}"'
        if signal.kind == "point" and signal.name in self.profile.by_name:
            return self.profile.by_name[signal.name].title
        return signal.title


def _is_active(rule: AlarmRule, known: Values) -> bool:
    return _raw(known[rule.point][0]) & rule.mask in rule.active


def _raw(value: Value) -> int:
    return int(value) if isinstance(value, int | float) else 0


def _plain(point: Point, value: Value) -> SignalValue:
    """Words of an enumeration, numbers as they are, text as text."""
    if point.values and isinstance(value, int):
        return point.values.get(value, str(value))
    return float(value) if isinstance(value, int | float) else str(value)
