"""The written ``settings:`` of a profile to a ``SettingsRule``; every misfit becomes a Problem at its place.

Steps and ranges that the section leaves out are those of the point itself: its scale and its range.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from probe.model.codec import BIT_FIELDS, ENUMERATIONS
from probe.model.document import Path
from probe.model.errors import Problem
from probe.model.nearest import did_you_mean
from probe.model.number_codec import IntegerDecoder
from probe.model.profile import Point
from probe.model.profile_layers import Layer, Stack
from probe.model.protection import FUNCTIONS, GROUPS, SHAPES, Shape
from probe.model.setting_document import (
    ChoiceDocument,
    FunctionDocument,
    GroupDocument,
    LevelDocument,
    SettingsDocument,
    TimingDocument,
)
from probe.model.setting_rule import (
    Band,
    Choice,
    FunctionRule,
    GroupRule,
    Level,
    SettingsRule,
    Timing,
)

_RAW = (*ENUMERATIONS, *BIT_FIELDS, "u16", "u32", "bit")
_ON_OFF = ("on", "off")


def compile_settings(
    stack: Stack, points: Mapping[str, Point], written: frozenset[str]
) -> tuple[SettingsRule | None, list[Problem]]:
    """The section's rule, None without one; and every problem in it.

    written: names of all points, also of those that did not compile (told elsewhere).
    """
    document, layer = stack.get("settings"), stack.layer("settings")
    if document is None or layer is None:
        return None, []
    compiler = _Compiler(layer, points, written)
    return compiler.whole(document), compiler.problems


class _Compiler:
    def __init__(self, layer: Layer, points: Mapping[str, Point], written: frozenset[str]) -> None:
        self._layer = layer
        self._points = points
        self._written = written
        self.problems: list[Problem] = []

    def whole(self, document: SettingsDocument) -> SettingsRule:
        """The rule, with what was refused left out."""
        groups: dict[str, GroupRule] = {}
        for name in sorted(document.groups, key=GROUPS.index):
            groups[name] = self._group(name, document.groups[name], groups)
        return SettingsRule(
            groups=groups,
            sensor=self._named(document.sensor, "sensor"),
            plug=self._named(document.plug, "plug"),
            active=self._choice(document.active, ("active",), GROUPS),
            writing=self._choice(document.writing, ("writing",), _ON_OFF),
        )

    # -- groups and functions ---------------------------------------------------------------------------

    def _group(self, name: str, document: GroupDocument, known: Mapping[str, GroupRule]) -> GroupRule:
        path: Path = ("groups", name)
        functions: dict[str, FunctionRule] = {}
        if document.based_on is not None:
            functions.update(self._base(path, document.based_on, known))
        own = set()
        for function in FUNCTIONS:
            written = getattr(document, function)
            if written is not None:
                rule = self._function(function, written, (*path, function))
                if rule is not None:
                    functions[function] = rule
                    own.add(function)
        alarms = {
            alarm: level
            for alarm, written in document.alarms.items()
            if (level := self._level(written, (*path, "alarms", alarm))) is not None
        }
        title = document.title or f"{name.capitalize()} group"
        ordered = {function: functions[function] for function in FUNCTIONS if function in functions}
        return GroupRule(name=name, title=title, functions=ordered, own=frozenset(own), alarms=alarms)

    def _base(self, path: Path, base: str, known: Mapping[str, GroupRule]) -> Mapping[str, FunctionRule]:
        if base in known:
            return known[base].functions
        allowed = ", ".join(known) or "no group stands before this one"
        self._tell(
            (*path, "based_on"), f"there is no group {base} before this one", found=base, allowed=allowed
        )
        return {}

    def _function(self, name: str, document: FunctionDocument, path: Path) -> FunctionRule | None:
        pickup = self._level(document.pickup, (*path, "pickup"))
        delay = None if document.delay is None else self._timing(document.delay, (*path, "delay"))
        shape = self._shape(document.curve, (*path, "curve"))
        self._fits_together(name, document, path)
        if pickup is None:
            return None
        return FunctionRule(
            function=name,
            pickup=pickup,
            delay=delay,
            shape=shape,
            enabled=self._choice(document.enabled, (*path, "enabled"), _ON_OFF),
            clearing_s=self._band(document.clearing_s, (*path, "clearing_s"), least=0.0),
        )

    def _fits_together(self, name: str, document: FunctionDocument, path: Path) -> None:
        """What a function needs beside its pickup, and what means nothing for it."""
        if name == "instantaneous" and (document.delay or document.curve):
            field = "delay" if document.delay else "curve"
            self._tell(
                (*path, field), "an instantaneous function has no delay and no curve", remedy="remove it"
            )
        if name == "long_time" and document.pickup.unit == "x pickup":
            what = "the long-time pickup cannot be a multiple of itself"
            self._tell((*path, "pickup", "unit"), what, found="x pickup", allowed="A, x sensor, x plug")
        curve, delay = document.curve, document.delay
        needs = curve == Shape.I2T or (isinstance(curve, ChoiceDocument) and Shape.I2T in curve.means)
        if needs and delay is not None and delay.at is None:
            what = "an I²t delay counts at one current only, and the profile does not say at which"
            self._tell((*path, "delay"), what, remedy="add `at: 6 x pickup` as the device's manual has it")
        if delay is not None and curve is None:
            what = "a delay without its curve: nobody could tell at which currents it holds"
            self._tell((*path, "delay"), what, allowed=", ".join(SHAPES), remedy="add `curve: ...`")

    def _shape(self, written: str | ChoiceDocument | None, path: Path) -> Shape | Choice | None:
        if isinstance(written, ChoiceDocument):
            return self._choice(written, path, SHAPES)
        return None if written is None else Shape(written)

    # -- values -----------------------------------------------------------------------------------------

    def _level(self, document: LevelDocument, path: Path) -> Level | None:
        point = self._number_point(document.point, path)
        if point is None:
            return None
        base = "" if document.unit == "A" else document.unit.removeprefix("x ")
        if (point.unit == "A") == bool(base):
            allowed = "unit: A for a point in amperes; x sensor, x plug or x pickup for one of `unit: none`"
            what = f"{point.name} is measured in {point.unit or 'none'}, its setting in {document.unit}"
            self._tell((*path, "unit"), what, found=document.unit, allowed=allowed)
        low, high = self._ends(document.range, point, (*path, "range"))
        return Level(
            point=point.name,
            base=base,
            step=document.step or _step_of(point),
            low=low,
            high=high,
            off=document.off,
            tolerance_percent=self._band(
                document.tolerance_percent, (*path, "tolerance_percent"), least=-100.0
            ),
        )

    def _timing(self, document: TimingDocument, path: Path) -> Timing | None:
        point = self._number_point(document.point, path)
        if point is None:
            return None
        if point.unit not in ("s", "ms", ""):
            what = f"a delay is a time, and {point.name} is measured in {point.unit}"
            self._tell((*path, "point"), what, found=point.name, allowed="s, ms, or none for a multiplier")
        multiple, _, base = (document.at or "0 x ").partition(" x ")
        low, high = self._ends(document.range, point, (*path, "range"))
        return Timing(
            point=point.name,
            multiple=float(multiple),
            base=base,
            flat_beyond=document.flat_beyond,
            step=document.step or _step_of(point),
            low=low,
            high=high,
            tolerance_percent=self._band(
                document.tolerance_percent, (*path, "tolerance_percent"), least=-100.0
            ),
            tolerance_s=self._band(document.tolerance_s, (*path, "tolerance_s")),
        )

    def _ends(
        self, written: tuple[float, float] | None, point: Point, path: Path
    ) -> tuple[float | None, float | None]:
        if written is None:
            return point.low, point.high
        band = self._band(written, path)
        return (None, None) if band is None else band

    def _band(
        self, written: tuple[float, float] | None, path: Path, least: float | None = None
    ) -> Band | None:
        if written is None:
            return None
        if written[0] > written[1] or (least is not None and written[0] < least):
            allowed = "[lower, higher]" + ("" if least is None else f", the lower one at least {least:g}")
            self._tell(
                path,
                "the two ends are not in order",
                found=f"{written[0]:g}, {written[1]:g}",
                allowed=allowed,
            )
            return None
        return written

    def _choice(self, document: ChoiceDocument | None, path: Path, words: Sequence[str]) -> Choice | None:
        if document is None:
            return None
        point = self._point(document.point, (*path, "point"))
        for word in document.means:
            if word not in words:
                remedy = did_you_mean(word, words)
                self._tell((*path, "means", word), f"{word} is none of the words here", found=word,
                           allowed=", ".join(words), remedy=remedy)  # fmt: skip
        raws = [raw for values in document.means.values() for raw in values]
        doubled = next((raw for raw in raws if raws.count(raw) > 1), None)
        if doubled is not None:
            self._tell((*path, "means"), f"the raw value {doubled} means two things", found=str(doubled))
        if point is None:
            return None
        if point.type not in _RAW:
            self._tell(
                (*path, "point"), f"{point.type} has no raw states", found=point.name, allowed=", ".join(_RAW)
            )
            return None
        self._can_show(document, point, path)
        return Choice(point=point.name, means=dict(document.means), mask=document.mask)

    def _can_show(self, document: ChoiceDocument, point: Point, path: Path) -> None:
        width = 1 if point.type == "bit" else 16 * point.count
        for word, values in document.means.items():
            for raw in values:
                if raw >> width or (document.mask and raw & ~document.mask):
                    what = f"{point.name} can never show this" + (" under the mask" if document.mask else "")
                    self._tell((*path, "means", word), what, found=str(raw))

    # -- points -----------------------------------------------------------------------------------------

    def _point(self, name: str, path: Path) -> Point | None:
        if name not in self._written:
            remedy = did_you_mean(name, self._written) or "name a point of this profile"
            self._tell(path, f"there is no point {name}", found=name, remedy=remedy)
        return self._points.get(name)

    def _number_point(self, name: str, path: Path) -> Point | None:
        point = self._point(name, (*path, "point"))
        if point is not None and point.quantity != "setting":
            what = f"{name} is no setting but {point.quantity}"
            self._tell((*path, "point"), what, found=name, allowed="a point whose quantity is setting")
            return None
        return point

    def _named(self, name: str | None, field: str) -> str:
        if name is None:
            return ""
        point = self._point(name, (field,))
        if point is not None and point.quantity != "rating":
            what, allowed = f"{name} is no rating", "a point whose quantity is rating"
            self._tell((field,), what, found=name, allowed=allowed)
        return name

    def _tell(self, path: Path, what: str, **facts: Any) -> None:
        self.problems.append(self._layer.document.problem(("settings", *path), what, **facts))


def _step_of(point: Point) -> float | None:
    """What one count of the register is worth; None for floating point, whose step only a manual tells."""
    decoder = point.decoder
    if not isinstance(decoder, IntegerDecoder):
        return None
    return abs(float(decoder.scale.apply(1)) - float(decoder.scale.apply(0)))
