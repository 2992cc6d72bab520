"""What a point shows when nobody lies: units, states of the gear, alarms, scale factors, plain constants."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from probe.model.number_codec import FactoredDecoder, IntegerDecoder
from probe.model.profile import AlarmRule, Point, Profile, StateRule
from probe.model.reading import Value
from probe.practice.clockwork import Moment
from probe.practice.metering import Measured
from probe.practice.part import Part
from probe.practice.protection import shown_setting

#: From V, A, W, var, VA, Wh, varh, VAh, Hz and plain fractions to the unit of a point.
_UNITS = {
    "kV": 1e-3, "mV": 1e3, "kA": 1e-3, "mA": 1e3, "mHz": 1e3, "%": 100.0,
    "kW": 1e-3, "MW": 1e-6, "kvar": 1e-3, "Mvar": 1e-6, "kVA": 1e-3, "MVA": 1e-6,
    "kWh": 1e-3, "MWh": 1e-6, "kvarh": 1e-3, "Mvarh": 1e-6, "kVAh": 1e-3, "MVAh": 1e-6,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Showing:
    """Constants of one device's image. zone_s: local time minus UTC. factors: exponent by point name."""

    zone_s: float = 0.0
    factors: Mapping[str, int] = field(default_factory=dict)

    def with_factor(self, point: Point, value: Value) -> bytes:
        """Registers of a point whose power of ten stands in another one; the end of the type beyond it.

        The factor was chosen for usual values, and no device changes it under a master's hands: what is
        larger is shown as the largest number there is, as by a device whose scale is wrong.
        """
        decoder = point.decoder
        if not isinstance(decoder, FactoredDecoder):
            raise TypeError(f"{point.name} has a scale factor but no decoder for it")
        exponent = self.factors[point.scale_factor]
        try:
            return decoder.encode_with(value, exponent)
        except ValueError:
            end = decoder.with_factor(_end(point, decoder, value), exponent)[0]
            return decoder.encode_with(end, exponent)


def has_no_value(point: Point) -> bool:
    """True if the point's type has a code for "no value"."""
    try:
        point.decoder.encode(None)
    except ValueError:
        return False
    return True


def measured_key(point: Point) -> tuple[str, str]:
    """The key of a point's quantity in ``Measured``.

    Distortion, unbalance and angle are words for voltages and currents alike, and a demand is a power: the
    point's own name says which is meant.
    """
    quantity, phase = point.quantity, point.phase
    if quantity in ("distortion", "unbalance", "angle"):
        quantity += "_current" if "current" in point.name else "_voltage"
    elif "demand" in point.name and quantity.startswith("power_"):
        quantity = quantity.replace("power_", "demand_")
    if not phase:
        phase = "" if quantity.startswith(("unbalance", "frequency")) else "total"
    return quantity, phase


def identity_value(point: Point, text: str) -> Value:
    """What a point of the identity shows: the text, or the number in it where the point holds a number."""
    if point.type == "text":
        return text
    digits = "".join(sign for sign in text if sign.isdigit() or sign == ".")
    whole, _, rest = digits.partition(".")
    number = float(f"{whole or 0}.{rest.replace('.', '')}")
    return int(number) if number.is_integer() else number


def scaled(point: Point, value: float) -> float:
    """A quantity in SI units as the point's unit has it."""
    return value * _UNITS.get(point.unit, 1.0)


def saturated(point: Point, value: Value | None) -> bytes:
    """The largest or smallest number of the type, for a value that lies beyond it, as real devices show it.

    Raises ValueError for other types and for values that are no numbers.
    """
    decoder = point.decoder
    if not isinstance(decoder, IntegerDecoder):
        raise ValueError(f"{point.name} cannot show {value}")  # noqa: TRY004 (as encode does)
    return decoder.encode(decoder.scale.apply(_end(point, decoder, value)))


def _end(point: Point, decoder: IntegerDecoder, value: Value | None) -> int:
    """The register's number that lies nearest to a value beyond all of them and means no "no value"."""
    if not isinstance(value, int | float):
        raise ValueError(f"{point.name} cannot show {value}")  # noqa: TRY004 (as encode does)
    least, most = decoder.number_bounds(None, None)
    numbers = range(least, least + 3) if value < 0 else range(most, most - 3, -1)
    return next(n for n in numbers if n not in decoder.unavailable_numbers)


def choose_factors(profile: Profile, typical: Measured) -> dict[str, int]:
    """Exponent of each scale-factor point: the finest under which twice the usual values still fit.

    typical: the device's quantities at some instant, to know their size.
    """
    chosen: dict[str, int] = {}
    for point in profile.points:
        if point.scale_factor:
            value = typical.get(measured_key(point), 0.0)
            need = _finest(point, abs(scaled(point, value)) * 2)
            chosen[point.scale_factor] = max(chosen.get(point.scale_factor, -3), need)
    return chosen


def _finest(point: Point, largest: float) -> int:
    decoder = point.decoder
    if not isinstance(decoder, IntegerDecoder):
        return 0
    _, most = decoder.number_bounds(None, None)
    return next((n for n in range(-3, 10) if largest / 10.0**n < min(most, 2**31)), 10)


def gear_value(part: Part, point: Point, plain: Value | None) -> Value | None:
    """What a point of the gear's state shows: its states and alarms put together; None if it has none.

    plain: what it would show without them, where that is known.
    """
    rules = [rule for rule in part.profile.states if rule.point == point.name]
    alarms = [alarm for alarm in part.profile.alarms if alarm.point == point.name]
    if not rules and not alarms:
        return None
    raw = int(plain) if isinstance(plain, int) else _quiet(point, alarms)
    for rule in rules:
        raw = _merged(raw, rule.mask, _state_raw(part, rule))
    for alarm in alarms:
        if alarm.name in part.alarms:
            raw = _merged(raw, alarm.mask, alarm.active[0])
    return bool(raw) if point.type == "bit" else raw


def _quiet(point: Point, alarms: Sequence[AlarmRule]) -> int:
    """A raw value under which no alarm is active: 0 for bit fields, the first harmless one of a list."""
    loud = {raw for alarm in alarms for raw in alarm.active} if point.values else set()
    return next((raw for raw in sorted(point.values) if raw not in loud), 0)


def _merged(raw: int, mask: int, value: int) -> int:
    return value if mask == 0 else (raw & ~mask) | (value & mask)


def _state_raw(part: Part, rule: StateRule) -> int:
    """The raw value that means the state in which the part is."""
    state = {
        "breaker": part.breaker,
        "position": part.position,
        "maintenance": part.maintenance,
        "communication": "fault" if (rule.bus or "a").lower() in part.buses_down else "ok",
    }.get(rule.state, "")
    return rule.means[state][0] if state in rule.means else next(iter(rule.means.values()))[0]


def duration(point: Point, seconds: float) -> int:
    """Seconds as whole numbers of the point's unit."""
    return int(seconds / {"ms": 0.001, "min": 60.0, "h": 3600.0, "d": 86_400.0}.get(point.unit, 1.0))


def plain_value(part: Part, point: Point, moment: Moment, seconds_up: float) -> Value | None:
    """A plausible value for a point that stands for nothing in the electrical model.

    A heartbeat counts tenths of a second since the start; everything that need not move is constant.
    """
    if point.type == "text":
        return next((text for name, text in part.identity.items() if name in point.name), "")
    if point.type == "bit":
        return False
    if point.type == "clock":
        return moment.truth_s
    if point.moves and point.quantity != "temperature":
        return int(seconds_up * 10) % 65_536
    setting = shown_setting(part.entry, point.name)
    if setting is not None:
        return int(setting) if point.bits else setting
    if point.quantity in _MADE:
        return _MADE[point.quantity](part, point, moment)
    if point.values:
        return 0 if 0 in point.values else min(point.values)
    return 0 if point.bits else _constant(part.entry.tag, point)


def _rating(part: Part, point: Point, _moment: Moment) -> Value:
    entry = part.entry
    return entry.frame_a if "frame" in point.name else entry.sensor_a or _constant(entry.tag, point)


def _counter(part: Part, point: Point, _moment: Moment) -> Value:
    """Few trips, some events, more operations: what a breaker has after its tests."""
    most = 3 if "trip" in point.name else 40 if "event" in point.name else 250
    began = random.Random(f"{part.entry.tag}/{point.name}").randint(0, most)
    return began + part.counted[point.name]


def _temperature(part: Part, _point: Point, moment: Moment) -> Value:
    """A warm cubicle: about 31 degrees, a few more where much current flows, moving slowly."""
    dice = random.Random(f"temperature {part.entry.tag}")
    slow = math.sin(math.tau * (moment.since_s / 611.0 + dice.random()))
    return 31.0 + 6.0 * dice.random() + 0.4 * slow


_MADE: Mapping[str, Callable[[Part, Point, Moment], Value]] = {
    "rating": _rating,
    "temperature": _temperature,
    "counter": _counter,
}


def _constant(tag: str, point: Point) -> float:
    """The same number for ever, in the middle half of the point's range."""
    if point.low is None or point.high is None:
        return 0.0 if point.low is None or point.low <= 0 else point.low
    place = random.Random(f"{tag}/{point.name}").uniform(0.25, 0.75)
    return round(point.low + place * (point.high - point.low), point.decimals)
