"""The settings that a device shows, in amperes and seconds, each with the reading that it rests on."""

from __future__ import annotations

from probe.judge.context import DeviceContext
from probe.judge.settings.found import AsFound, Attributes, FoundGroup, Seen
from probe.model.protection import FunctionSetting, RatingBases, Shape
from probe.model.reading import Quality
from probe.model.setting_rule import Choice, FunctionRule, GroupRule, Level, SettingsRule

#: Seconds of one unit of a delay.
_SECONDS = {"s": 1.0, "ms": 0.001, "": 1.0}


def as_found(context: DeviceContext) -> AsFound | None:
    """The device's settings; None where its profile does not say where they stand. Worked out once."""
    rule = context.profile.settings
    if rule is None:
        return None
    if "as found" not in context.memory:
        context.memory["as found"] = _Reader(context, rule).whole()
    found: AsFound = context.memory["as found"]
    return found


class _Reader:
    def __init__(self, context: DeviceContext, rule: SettingsRule) -> None:
        self._context = context
        self._rule = rule
        ratings = context.device.ratings
        self._sensor = self._rating(rule.sensor, ratings.sensor_a)
        self._plug = self._rating(rule.plug, ratings.plug_a)

    def whole(self) -> AsFound:
        rule = self._rule
        return AsFound(
            groups={name: self._group(group) for name, group in rule.groups.items()},
            sensor=self._sensor,
            plug=self._plug,
            active=None if rule.active is None else self._word(rule.active),
            writing=None if rule.writing is None else self._word(rule.writing),
        )

    def _rating(self, point: str, drawn: float | None) -> Seen:
        """What the device shows; what the map says where the device shows nothing."""
        if point:
            seen = self._number(point)
            if seen.value is not None:
                return seen
        return Seen(drawn, why="" if drawn else "neither the device nor the map tells it")

    def _group(self, group: GroupRule) -> FoundGroup:
        long_time = group.functions.get("long_time")
        bases = RatingBases(sensor_a=self._sensor.number, plug_a=self._plug.number)
        pickup = Seen(None, why="it has no long-time pickup")
        if long_time is not None:
            pickup = self._amperes(long_time.pickup, bases)
        bases = RatingBases(sensor_a=bases.sensor_a, plug_a=bases.plug_a, pickup_a=pickup.number)
        seen = {name: self._attributes(rule, bases) for name, rule in group.functions.items()}
        return FoundGroup(
            functions={name: self._setting(rule, seen[name]) for name, rule in group.functions.items()},
            seen=seen,
            alarms={name: self._amperes(level, bases) for name, level in group.alarms.items()},
        )

    def _attributes(self, rule: FunctionRule, bases: RatingBases) -> Attributes:
        seen = {"pickup": self._amperes(rule.pickup, bases)}
        if rule.delay is not None:
            seen["delay"] = self._delay(rule.delay.point)
        if isinstance(rule.shape, Choice):
            seen["curve"] = self._word(rule.shape)
        elif rule.shape is not None:
            seen["curve"] = Seen(rule.shape.value)
        seen["enabled"] = self._enabled(rule)
        return seen

    def _enabled(self, rule: FunctionRule) -> Seen:
        """on or off; a type that cannot switch the function off shows nothing and is on."""
        if rule.enabled is not None:
            return self._word(rule.enabled)
        if not rule.pickup.off:
            return Seen("on")
        shown = self._number(rule.pickup.point)
        if shown.number is None:
            return shown
        return Seen("off" if shown.number in rule.pickup.off else "on", shown.sequence)

    def _setting(self, rule: FunctionRule, seen: Attributes) -> FunctionSetting:
        none = Seen(None)
        word = seen.get("curve", none).word
        on = seen["enabled"].word
        timing = rule.delay
        unit = "" if timing is None else self._context.point(timing.point).unit
        return FunctionSetting(
            enabled=None if not on else on == "on",
            pickup_a=seen["pickup"].number,
            delay=seen.get("delay", none).number,
            delay_unit="s" if unit else "",
            multiple=0.0 if timing is None else timing.multiple,
            base="" if timing is None else timing.base,
            shape=Shape(word) if word else None,
        )

    # -- readings ---------------------------------------------------------------------------------------

    def _amperes(self, level: Level, bases: RatingBases) -> Seen:
        shown = self._number(level.point)
        base = bases.of(level.base)
        if shown.number is None:
            return shown
        if base is None:
            return Seen(None, shown.sequence, f"it is a multiple of the {level.base}, which is not known")
        return Seen(shown.number * base, shown.sequence)

    def _delay(self, name: str) -> Seen:
        shown = self._number(name)
        if shown.number is None:
            return shown
        return Seen(shown.number * _SECONDS[self._context.point(name).unit], shown.sequence)

    def _number(self, name: str) -> Seen:
        reading = self._context.latest(name)
        if reading is None:
            return Seen(None, *self._why(name))
        return Seen(float(reading.value), reading.sequence)

    def _word(self, choice: Choice) -> Seen:
        reading = self._context.latest(choice.point)
        if reading is None:
            return Seen(None, *self._why(choice.point))
        word = choice.word(int(reading.value))
        why = "" if word else f"the device shows {int(reading.value)}, which means nothing in its profile"
        return Seen(word or None, reading.sequence, why)

    def _why(self, name: str) -> tuple[int, str]:
        """Evidence and reason of a point without a good reading."""
        readings = self._context.readings(name)
        bad = [reading for reading in readings if reading.quality is not Quality.GOOD]
        if bad:
            return bad[-1].sequence, f"the device shows no value ({bad[-1].quality.value})"
        if self._context.blocks:
            return 0, "the device did not give it"
        return 0, self._context.why_nothing()
