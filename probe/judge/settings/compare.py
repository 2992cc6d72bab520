"""All settings of one device against the study: a row for each, in amperes and seconds.

What the study does not state is a row for a person to review; what it states and the device cannot be asked
for is "not tested" and must be read at the breaker's own display. Nothing is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from probe.judge.settings.difference import NOISE, Kind, allowed_around, difference
from probe.judge.settings.found import AsFound, FoundGroup, Seen
from probe.judge.settings.row import Row, figure
from probe.model.protection import FUNCTIONS, LETTERS, TITLES, FunctionSetting, RatingBases, Shape
from probe.model.setting_rule import FunctionRule, GroupRule, Level, SettingsRule, Timing
from probe.model.study import StudiedDevice, Study, amperes, resolved_group

AT_THE_DISPLAY = "read it at the breaker's own display"
#: The group that the others stand on.
NORMAL = "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """Both sides of a comparison. sensor_a, plug_a: of the map; the study's own go before them."""

    tag: str
    rule: SettingsRule
    found: AsFound
    study: Study
    studied: StudiedDevice
    sensor_a: float | None
    plug_a: float | None
    frequency_hz: float

    def studied_group(self, group: str) -> Mapping[str, FunctionSetting]:
        """A group of the study in amperes and seconds."""
        return resolved_group(self.studied, group, self.sensor_a, self.plug_a, self.frequency_hz)

    def studied_bases(self, group: str) -> RatingBases:
        """Amperes behind the study's multiples."""
        return self.studied.bases(group, self.sensor_a, self.plug_a)


def compare(sides: Sides) -> tuple[Row, ...]:
    """Every row, group by group in the usual order."""
    rows = [*_ratings(sides)]
    for name in dict.fromkeys((*sides.rule.groups, *sides.studied.groups)):
        rows += _group(sides, name)
    return tuple(rows)


def _ratings(sides: Sides) -> Iterator[Row]:
    """Sensor and plug: with a wrong one, every multiple of it is wrong by the same factor."""
    for name, title in (("sensor", "Sensor"), ("plug", "Rating plug")):
        studied = getattr(sides.studied, f"{name}_a")
        point = getattr(sides.rule, name)
        if studied is None or not point:
            continue
        seen: Seen = getattr(sides.found, name)
        kind, note = Kind.NOT_READ, seen.why
        if seen.number is not None and seen.sequence:
            kind = Kind.SAME if abs(seen.number - studied) <= NOISE * studied else Kind.OTHER
            note = "" if kind is Kind.SAME else "every multiple of it is wrong by the same factor"
        yield Row(
            tag=sides.tag, group="", function="", attribute=name, name=title, point=point, kind=kind,
            found=_text(seen), studied=figure(studied), unit="A", note=note, evidence=_evidence(seen),
        )  # fmt: skip


def _group(sides: Sides, name: str) -> Iterator[Row]:
    rule, told = sides.rule.groups.get(name), sides.studied.groups.get(name)
    if rule is None:
        note = f"its profile has no {name} group: {AT_THE_DISPLAY}"
        yield _whole(sides, name, f"{name.capitalize()} group", Kind.NOT_READ, note)
        return
    if told is None:
        yield _whole(sides, name, rule.title, Kind.NOT_STATED, f"the study says nothing of the {name} group")
        return
    compared = _Group(sides, rule)
    for function in FUNCTIONS:
        yield from compared.function(function)
    yield from compared.alarms()


def _whole(sides: Sides, group: str, title: str, kind: Kind, note: str) -> Row:
    return Row(
        tag=sides.tag, group=group, function="", attribute="group", name=title, point=f"{group}.group",
        kind=kind, note=note,
    )  # fmt: skip


class _Group:
    """One group of one device."""

    def __init__(self, sides: Sides, rule: GroupRule) -> None:
        self._sides = sides
        self._rule = rule
        self._found: FoundGroup = sides.found.groups[rule.name]
        self._studied = sides.studied_group(rule.name)
        self._normal = sides.studied_group(NORMAL)

    def function(self, name: str) -> Iterator[Row]:
        rule, studied = self._rule.functions.get(name), self._studied.get(name)
        if self._rule.name != NORMAL and name not in self._rule.own and self._is_inherited(name, studied):
            return  # told in the normal group
        if rule is None and studied is None:
            return
        if rule is None or studied is None:
            kind = Kind.NOT_READ if rule is None else Kind.NOT_STATED
            note = f"its profile has no such function: {AT_THE_DISPLAY}"
            yield self._row(name, "function", kind, note="" if studied is None else note)
            return
        yield from self._known(name, rule, studied)

    def _is_inherited(self, name: str, studied: FunctionSetting | None) -> bool:
        return studied is None or studied == self._normal.get(name)

    def _known(self, name: str, rule: FunctionRule, studied: FunctionSetting) -> Iterator[Row]:
        if studied.enabled is None:
            yield self._row(name, "enabled", Kind.NOT_STATED, found=self._seen(name, "enabled"))
        else:
            yield self._enabled(name, rule, wanted=studied.enabled)
        if studied.enabled is False:
            return  # the rest of a function that should be off means nothing
        yield self._pickup(name, rule.pickup, studied)
        if rule.delay is not None or studied.delay is not None:
            yield self._delay(name, rule.delay, studied)
        if rule.shape is not None or studied.shape is not None:
            yield self._shape(name, studied.shape)

    def alarms(self) -> Iterator[Row]:
        """Thresholds that only tell, and trip nothing."""
        name = self._rule.name
        told = self._sides.studied.alarms.get(name, {})
        bases = self._sides.studied_bases(name)
        for alarm in dict.fromkeys((*self._rule.alarms, *told)):
            level, amount = self._rule.alarms.get(alarm), told.get(alarm)
            studied_a = None if amount is None else amperes(amount, bases)
            seen = self._found.alarms.get(
                alarm, Seen(None, why=f"its profile has no such alarm: {AT_THE_DISPLAY}")
            )
            title = f"{self._rule.title}, alarm {alarm.replace('_', ' ')}"
            yield self._number(
                "alarms", alarm, seen, studied_a, "A", level, title=title, point=level.point if level else ""
            )

    # -- attributes -------------------------------------------------------------------------------------

    def _enabled(self, name: str, rule: FunctionRule, *, wanted: bool) -> Row:
        seen = self._seen(name, "enabled")
        kind = Kind.NOT_READ
        if seen.word:
            is_on = seen.word == "on"
            kind = Kind.SAME if is_on is wanted else Kind.ON if is_on else Kind.OFF
        fixed = rule.enabled is None and not rule.pickup.off
        note = "this type cannot switch it off" if fixed and kind is Kind.ON else seen.why
        return self._row(name, "enabled", kind, found=seen, studied="on" if wanted else "off", note=note)

    def _pickup(self, name: str, level: Level, studied: FunctionSetting) -> Row:
        return self._number(name, "pickup", self._seen(name, "pickup"), studied.pickup_a, "A", level)

    def _delay(self, name: str, timing: Timing | None, studied: FunctionSetting) -> Row:
        found = self._found.functions[name]
        if timing is None:
            note = f"its profile has no delay for it: {AT_THE_DISPLAY}"
            return self._row(name, "delay", Kind.NOT_READ, studied=_delay_text(studied), note=note)
        seen = self._seen(name, "delay")
        factor, why = self._to_studied_multiple(found, studied, timing)
        if why:
            return self._row(name, "delay", Kind.UNCLEAR, found=seen, studied=_delay_text(studied),
                             unit=found.delay_unit, note=why, point=timing.point)  # fmt: skip
        at = f" at {_at(studied)}" if factor != 1.0 else ""
        note = f"the device counts it at {figure(timing.multiple)} x {timing.base}" if factor != 1.0 else ""
        scaled = seen if seen.number is None else seen._replace(value=seen.number * factor)
        step = None if timing.step is None else timing.step * factor
        row_timing = Level(point=timing.point, step=step)
        return self._number(
            name, "delay", scaled, studied.delay, f"{found.delay_unit}{at}", row_timing, note=note
        )

    def _to_studied_multiple(
        self, found: FunctionSetting, studied: FunctionSetting, timing: Timing
    ) -> tuple[float, str]:
        """Factor from the device's delay to the current at which the study counts; or why there is none."""
        if studied.delay is not None and found.delay_unit != studied.delay_unit:
            return 1.0, "one is a time, the other the multiplier of a curve"
        if found.shape is not Shape.I2T or studied.shape is not Shape.I2T:
            return 1.0, ""
        if not studied.multiple:
            return 1.0, "the study does not say at which current its delay counts"
        ours, theirs = timing.multiple, studied.multiple
        if timing.base != studied.base:
            bases = self._sides.studied_bases(self._rule.name)
            own_a = studied.pickup_a
            known = RatingBases(
                sensor_a=bases.sensor_a, plug_a=bases.plug_a, pickup_a=bases.pickup_a, own_a=own_a
            )
            base_a = known.of(timing.base)
            wanted_a = 1.0 if studied.base == "A" else known.of(studied.base)
            if base_a is None or wanted_a is None:
                return 1.0, "study and device count the delay at currents that cannot be compared"
            ours, theirs = ours * base_a, theirs * wanted_a
        if timing.flat_beyond:
            theirs = min(theirs, ours)
        return (1.0 if abs(ours - theirs) <= NOISE * ours else (ours / theirs) ** 2), ""

    def _shape(self, name: str, studied: Shape | None) -> Row:
        seen = self._seen(name, "curve")
        found = self._found.functions[name].shape
        if studied is None:
            return self._row(name, "curve", Kind.NOT_STATED, found=seen)
        kind = Kind.NOT_READ
        if found is not None:
            kind = _shape_kind(found, studied)
        return self._row(name, "curve", kind, found=seen, studied=studied.value, note=seen.why)

    # -- rows -------------------------------------------------------------------------------------------

    def _seen(self, name: str, attribute: str) -> Seen:
        return self._found.seen[name].get(
            attribute, Seen(None, why=f"its profile does not tell it: {AT_THE_DISPLAY}")
        )

    def _number(  # noqa: PLR0913 (one row)
        self,
        function: str,
        attribute: str,
        seen: Seen,
        studied: float | None,
        unit: str,
        level: Level | None,
        *,
        title: str = "",
        note: str = "",
        point: str = "",
    ) -> Row:
        point = point or (level.point if level else f"{self._rule.name}.{function}.{attribute}")
        study, is_time = self._sides.study, attribute == "delay"
        percent = study.delay_percent if is_time else study.pickup_percent
        step = self._step_a(level) if not is_time else level.step if level else None
        kind = Kind.NOT_READ
        if studied is None:
            kind = Kind.NOT_STATED
        elif seen.number is not None:
            kind = difference(seen.number, studied, percent, step)
            kind = _TIMES.get(kind, kind) if is_time else kind
        low, high = (0.0, 0.0) if studied is None else allowed_around(studied, percent)
        return self._row(
            function, attribute, kind, found=seen, studied="" if studied is None else figure(studied),
            unit=unit, title=title, point=point, step="" if not step else figure(step),
            allowed="" if studied is None else f"{figure(low)} to {figure(high)}",
            note=note or ("" if seen.number is not None else seen.why),
        )  # fmt: skip

    def _step_a(self, level: Level | None) -> float | None:
        """The device's step in amperes."""
        if level is None or level.step is None:
            return None
        found = self._found.functions.get("long_time")
        bases = RatingBases(
            sensor_a=self._sides.found.sensor.number,
            plug_a=self._sides.found.plug.number,
            pickup_a=None if found is None else found.pickup_a,
        )
        base = bases.of(level.base)
        return None if base is None else level.step * base

    def _row(  # noqa: PLR0913 (the facts of a row)
        self,
        function: str,
        attribute: str,
        kind: Kind,
        *,
        found: Seen | None = None,
        studied: str = "",
        unit: str = "",
        title: str = "",
        point: str = "",
        step: str = "",
        allowed: str = "",
        note: str = "",
    ) -> Row:
        seen = found or Seen(None)
        return Row(
            tag=self._sides.tag,
            group=self._rule.name,
            function=function,
            attribute=attribute,
            name=title or f"{self._rule.title}, {_words(function, attribute)}",
            point=point or f"{self._rule.name}.{function}.{attribute}",
            kind=kind,
            found=_text(seen),
            studied=studied,
            unit=unit,
            allowed=allowed,
            step=step,
            note=note,
            evidence=_evidence(seen),
            least_danger=function == "alarms",
        )


_TIMES = {Kind.HIGHER: Kind.SLOWER, Kind.LOWER: Kind.FASTER}


def _shape_kind(found: Shape, studied: Shape) -> Kind:
    """I²t where the study wants a flat time trips later at small faults; the other way round, sooner."""
    if found is studied:
        return Kind.SAME
    pair = (found, studied)
    return {(Shape.I2T, Shape.FLAT): Kind.SLOWER, (Shape.FLAT, Shape.I2T): Kind.FASTER}.get(pair, Kind.OTHER)


def _words(function: str, attribute: str) -> str:
    """``ground-fault delay (GFD)``."""
    letters = LETTERS.get((function, attribute), "")
    words = TITLES[function].lower() + ("" if attribute in ("function", "enabled") else f" {attribute}")
    return f"{words} ({letters})" if letters else words


def _delay_text(studied: FunctionSetting) -> str:
    if studied.delay is None:
        return ""
    at = f" at {_at(studied)}" if studied.multiple else ""
    return f"{figure(studied.delay)} {studied.delay_unit}{at}".strip()


def _at(studied: FunctionSetting) -> str:
    """The current at which the study counts a delay: ``6 x pickup``, ``4800 A``."""
    return f"{figure(studied.multiple)} {'A' if studied.base == 'A' else f'x {studied.base}'}"


def _text(seen: Seen) -> str:
    return figure(seen.value) if isinstance(seen.value, float) else seen.value or ""


def _evidence(seen: Seen) -> tuple[int, ...]:
    return (seen.sequence,) if seen.sequence else ()
