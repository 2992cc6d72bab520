"""Everything of a profile that is no point: limits, identity, proof, states, alarms, clock, freshness.

Compiles what was written and tells, at its place, each rule that names an unknown point or asks something
that the point's type cannot answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any, TypeVar

from probe.model.addressing import AddressError, parse_address
from probe.model.clock_decoder import ClockDecoder
from probe.model.codec import BIT_FIELDS, ENUMERATIONS
from probe.model.errors import Problem
from probe.model.nearest import did_you_mean
from probe.model.profile import (
    Accuracy,
    AlarmRule,
    ClockRule,
    ClockWrite,
    Conventions,
    EventRule,
    Freshness,
    IdentityRule,
    Limits,
    Point,
    Proof,
    Quirks,
    Span,
    StateRule,
    SyncRule,
)
from probe.model.profile_clock import compile_write
from probe.model.profile_document import ClockWriteDocument, SyncDocument
from probe.model.profile_layers import Entry, Layer, Stack
from probe.model.profile_ups import UpsRule, compile_ups
from probe.model.reading import Value
from probe.model.setting_compile import compile_settings
from probe.model.setting_rule import SettingsRule

# Types whose value is the raw whole number, so that masks and lists of raw values mean something.
_RAW = (*ENUMERATIONS, *BIT_FIELDS, "u16", "u32", "u64", "bit")
_Rule = TypeVar("_Rule")
_VOLTAGES = ("voltage_line", "voltage_phase", "voltage_dc")


class RuleCompiler:
    """Compiles the rules of one profile; ``problems`` grows, refused rules are left out."""

    def __init__(self, stack: Stack, points: Mapping[str, Point], written: frozenset[str]) -> None:
        """written: names of all points, also of those that did not compile (told elsewhere)."""
        self._stack = stack
        self._points = points
        self._written = written
        self.problems: list[Problem] = []

    def rules(self) -> dict[str, Any]:
        """The fields of ``Profile`` that are rules."""
        energized = self._stack.get("energized")
        return {
            "limits": Limits(**self._stack.group("limits")),
            "quirks": Quirks(**self._stack.group("quirks")),
            "accuracy": _accuracy(self._stack.group("accuracy")),
            "conventions": Conventions(**_said(self._stack.group("conventions"))),
            "holes": self._holes(),
            "identity": self._identity(),
            "proof": self._each("proof", self._proof),
            "states": self._each("states", self._state),
            "alarms": self._each("alarms", self._alarm),
            "events": self._each("events", self._event),
            "clock": self._clock(),
            "freshness": self._freshness(),
            "energized_points": self._energized(),
            "energized_above": energized.above if energized else 0.0,
            "uptime": self._uptime(),
            "settings": self._settings(),
            "ups": self._ups(),
        }

    def _each(self, field: str, compile_one: Callable[[Entry], _Rule | None]) -> tuple[_Rule, ...]:
        """The compiled entries of a list, those that were refused left out."""
        made = (compile_one(entry) for entry in self._stack.entries(field))
        return tuple(rule for rule in made if rule is not None)

    def _settings(self) -> SettingsRule | None:
        rule, problems = compile_settings(self._stack, self._points, self._written)
        self.problems += problems
        return rule

    # -- points by name ---------------------------------------------------------------------------------

    def _known(self, name: str, layer: Layer, *path: str | int) -> Point | None:
        """The named point; tells if there is none."""
        if name not in self._written:
            self.problems.append(
                layer.document.problem(
                    path,
                    f"there is no point {name}",
                    found=name,
                    remedy=did_you_mean(name, self._written) or "name a point of this profile",
                )
            )
        return self._points.get(name)

    def _tell(self, entry: Entry, field: str, what: str, **facts: str) -> None:
        self.problems.append(entry.problem(field, what, **facts))

    # -- holes ------------------------------------------------------------------------------------------

    def _holes(self) -> tuple[Span, ...]:
        spans = [span for entry in self._stack.entries("holes") if (span := self._hole(entry))]
        return tuple(sorted(spans, key=lambda span: (span.area, span.start)))

    def _hole(self, entry: Entry) -> Span | None:
        convention = entry.layer.written.addressing
        area = entry.item.area
        if area is None and convention != "reference":
            area = entry.layer.written.area or self._stack.get("area")
        places = []
        for field in ("first", "last"):
            try:
                places.append(parse_address(getattr(entry.item, field), convention, area))
            except AddressError as error:
                self._tell(
                    entry, field, error.what, found=getattr(entry.item, field), allowed=error.allowed,
                    remedy=error.remedy,
                )  # fmt: skip
                return None
        first, last = places
        if first.area is not last.area or first.start > last.start:
            self._tell(entry, "last", "the hole ends before it begins", found=entry.item.last)
            return None
        return Span(area=first.area, start=first.start, end=last.start + 1)

    # -- identity and proof -----------------------------------------------------------------------------

    def _identity(self) -> IdentityRule:
        points = {}
        for field, (name, layer) in self._stack.mapping("identity", "points").items():
            if self._known(name, layer, "identity", "points", field) is not None:
                points[field] = name
        return IdentityRule(
            objects={
                field: value for field, (value, _) in self._stack.mapping("identity", "objects").items()
            },
            points=points,
            expect={field: text for field, (text, _) in self._stack.mapping("identity", "expect").items()},
        )

    def _proof(self, entry: Entry) -> Proof | None:
        point = self._known(entry.item.point, entry.layer, *entry.path, "point")
        if point is None:
            return None
        try:
            return Proof(point=point.name, equals=_value(point, entry.item.equals))
        except ValueError as error:
            self._tell(entry, "equals", f"{point.name} can never show this: {error}", found=entry.item.equals)
            return None

    # -- states and alarms ------------------------------------------------------------------------------

    def _raw_point(self, entry: Entry) -> Point | None:
        point = self._known(entry.item.point, entry.layer, *entry.path, "point")
        if point is not None and point.type not in _RAW:
            allowed = f"a point of type {', '.join(_RAW)}"
            self._tell(entry, "point", f"{point.type} has no raw states", found=point.name, allowed=allowed)
            return None
        return point

    def _state(self, entry: Entry) -> StateRule | None:
        item, point = entry.item, self._raw_point(entry)
        if point is None:
            return None
        if (item.state == "communication") != bool(item.bus):
            what = "bus belongs to communication" if item.bus else "a communication state needs its bus"
            self._tell(entry, "bus" if item.bus else "state", what, allowed="as `bus: A`" * (not item.bus))
        raws = [raw for values in item.means.values() for raw in values]
        doubled = [raw for raw in raws if raws.count(raw) > 1]
        if doubled:
            self._tell(entry, "means", f"the raw value {doubled[0]} means two things", found=str(doubled[0]))
        for word, values in item.means.items():
            for raw in values:
                self._can_show(entry, point, raw, item.mask, "means", word)
        return StateRule(
            state=item.state, point=point.name, means=dict(item.means), bus=item.bus, mask=item.mask
        )

    def _event(self, entry: Entry) -> EventRule | None:
        made = {}
        for field, types in (("number", _RAW), ("code", ENUMERATIONS), ("time", ("clock",))):
            name = getattr(entry.item, field)
            point = self._known(name, entry.layer, *entry.path, field)
            if point is not None and point.type not in types:
                what = f"{name} cannot be the {field} of an event"
                self._tell(entry, field, what, found=point.type, allowed=", ".join(types))
                point = None
            if point is not None:
                made[field] = name
        return EventRule(**made) if len(made) == 3 else None

    def _alarm(self, entry: Entry) -> AlarmRule | None:
        item, point = entry.item, self._raw_point(entry)
        if point is None:
            return None
        width = 1 if point.type == "bit" else 16 * point.count
        if item.bit is not None:
            mask, active = 1 << item.bit, (1 << item.bit,)
            if item.bit >= width:
                allowed = f"0 to {width - 1}"
                self._tell(entry, "bit", "the point has no such bit", found=str(item.bit), allowed=allowed)
        else:
            mask, active = item.mask or (1 << width) - 1, item.active
            for raw in active:
                self._can_show(entry, point, raw, item.mask or 0, "active")
        return AlarmRule(
            name=item.name,
            title=item.title,
            point=point.name,
            mask=mask,
            active=active,
            severity=item.severity,
        )

    def _can_show(self, entry: Entry, point: Point, raw: int, mask: int, *path: str) -> None:
        """Tells if (raw & mask) can never come out as ``raw``, or an enumeration has no such value."""
        width = 1 if point.type == "bit" else 16 * point.count
        document, place = entry.layer.document, (*entry.path, *path)
        if raw >> width or (mask and raw & ~mask):
            what = f"{point.name} can never show this" + (" under the mask" if mask else "")
            self.problems.append(document.problem(place, what, found=str(raw)))
        elif point.values and not mask and raw not in point.values:
            allowed = ", ".join(f"{number} ({name})" for number, name in point.values.items())
            what = f"{point.name} has no value {raw}"
            self.problems.append(document.problem(place, what, found=str(raw), allowed=allowed))

    # -- clock, freshness, live circuit, uptime ---------------------------------------------------------

    def _clock(self) -> ClockRule | None:
        written, layer = self._stack.get("clock"), self._stack.layer("clock")
        if written is None or layer is None:
            return None
        point = self._known(written.point, layer, "clock", "point")
        if point is None:
            return None
        if not isinstance(point.decoder, ClockDecoder):
            self.problems.append(
                self._stack.problem(
                    "clock", f"{point.name} is no clock", "point", allowed="a point of type clock"
                )
            )
            return None
        return ClockRule(
            point=point.name,
            zone=written.zone,
            resolution_s=written.resolution_s or point.decoder.resolution_s,
            epoch_s=self._unset(written.unset),
            sync=self._sync(written.sync, layer),
            write=self._clock_write(written.write, layer, point),
        )

    def _clock_write(
        self, written: ClockWriteDocument | None, layer: Layer, point: Point
    ) -> ClockWrite | None:
        """How the clock is set."""
        if written is None:
            return None
        made = compile_write(written, layer, point)
        self.problems += made.problems
        return made.write

    def _sync(self, written: SyncDocument | None, layer: Layer) -> SyncRule | None:
        """Where the clock's state of synchronisation is told."""
        if written is None:
            return None
        point = self._known(written.point, layer, "clock", "sync", "point")
        if point is None:
            return None
        if point.type not in _RAW:
            what, allowed = f"{point.type} has no raw states", f"a point of type {', '.join(_RAW)}"
            self.problems.append(
                self._stack.problem("clock", what, "sync", "point", found=point.name, allowed=allowed)
            )
            return None
        unknown = [raw for raw in written.good if point.values and raw not in point.values]
        for raw in unknown:
            allowed = ", ".join(f"{number} ({name})" for number, name in point.values.items())
            what = f"{point.name} has no value {raw}"
            self.problems.append(
                self._stack.problem("clock", what, "sync", "good", found=str(raw), allowed=allowed)
            )
        return SyncRule(point=point.name, good=tuple(written.good))

    def _unset(self, text: str | None) -> float | None:
        if text is None:
            return None
        try:
            return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()
        except ValueError:
            what = "this is no date and time"
            self.problems.append(
                self._stack.problem("clock", what, "unset", found=text, allowed="as 2000-01-01T00:00:00")
            )
            return None

    def _freshness(self) -> Freshness | None:
        written, layer = self._stack.get("freshness"), self._stack.layer("freshness")
        if written is None or layer is None:
            return None
        names = self._named("freshness", written.points, layer)
        return Freshness(points=names, after_s=written.after_s) if names else None

    def _energized(self) -> tuple[str, ...]:
        written, layer = self._stack.get("energized"), self._stack.layer("energized")
        if written is None or layer is None:
            return ()
        names = self._named("energized", written.points, layer)
        for index, name in enumerate(names):
            if self._points[name].quantity not in _VOLTAGES:
                self.problems.append(
                    layer.document.problem(
                        ("energized", "points", index),
                        f"{name} is no voltage",
                        found=f"{name} ({self._points[name].quantity})",
                        allowed=f"a point whose quantity is {', '.join(_VOLTAGES)}",
                    )
                )
        return names

    def _named(self, rule: str, names: tuple[str, ...], layer: Layer) -> tuple[str, ...]:
        found = [self._known(name, layer, rule, "points", index) for index, name in enumerate(names)]
        return tuple(point.name for point in found if point is not None)

    def _ups(self) -> UpsRule | None:
        written, layer = self._stack.get("ups"), self._stack.layer("ups")
        if written is None or layer is None:
            return None
        return compile_ups(written, lambda name, *path: self._known(name, layer, "ups", *path) is not None)

    def _uptime(self) -> str:
        name, layer = self._stack.get("uptime"), self._stack.layer("uptime")
        if name is None or layer is None:
            return ""
        point = self._known(name, layer, "uptime")
        if point is not None and point.quantity != "uptime":
            allowed = "a point whose quantity is uptime"
            self.problems.append(
                self._stack.problem(
                    "uptime", f"{name} does not count since start", found=name, allowed=allowed
                )
            )
        return name if point is not None else ""


def _said(written: dict[str, Any]) -> dict[str, Any]:
    """The fields that say something."""
    return {name: value for name, value in written.items() if value is not None}


def _accuracy(written: dict[str, Any]) -> Accuracy:
    """The accuracy as written; a class such as 0.5S counts as its number."""
    fields = _said(written)
    energy = fields.pop("energy_class", None)
    if energy is not None:
        fields["energy_percent"] = float(energy.rstrip("S"))
    return Accuracy(**fields, stated=bool(fields or energy))


def _value(point: Point, text: str) -> Value:
    """The written value as the point's decoder would give it. Raises ValueError if it never can."""
    value: Value
    if point.type == "text":
        value = text
    elif point.type == "bit":
        if text.lower() not in ("true", "false", "1", "0"):
            raise ValueError("a coil is true or false")
        value = text.lower() in ("true", "1")
    elif text.lower().startswith("0x"):
        value = int(text, 16)
    else:
        value = float(text) if any(sign in text for sign in ".eE") else int(text)
    shown, _ = point.decoder.decode(point.decoder.encode(value))
    if shown != value and not isinstance(value, float):
        raise ValueError(f"the nearest that it shows is {shown}")
    return shown
