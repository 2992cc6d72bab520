"""Band of a device's trip time: what is set, widened by the tolerances and clearing times of its type.

    least_s   the soonest that the breaker may have interrupted the current
    most_s    the latest; infinite where it may not trip at all

Everything comes from the profile (``setting_rule``); where a tolerance is not stated there is no band, and
the reason is told. Of the functions of a device the fastest trips. The time of an I²t or flat delay counts
from the pickup as set, the pickup's own tolerance moves only the current from which it trips: makers publish
bands so (common practice, no source). Multiples of inverse curves count from the edges of the pickup's band.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from probe.model.protection import PHASE_FUNCTIONS, TITLES, FunctionSetting, RatingBases, Shape
from probe.model.setting_rule import Band as Ends
from probe.model.setting_rule import FunctionRule, GroupRule
from probe.model.trip_curve import CEILING, i2t_s, inverse_s

_NONE: Ends = (0.0, 0.0)


class NoBandError(ValueError):
    """No band can be made: the message says of what is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """One function. low_a, high_a: below the one it never trips, from the other on it always does.

    delay: seconds, or the multiplier of an inverse shape; reference_a: current at which an I²t delay counts.
    percent, seconds: tolerance of the delay. clearing_s: until the current is interrupted.
    """

    function: str
    low_a: float
    pickup_a: float
    high_a: float
    shape: Shape = Shape.FLAT
    delay: float = 0.0
    reference_a: float = 0.0
    flat_beyond: bool = False
    percent: Ends = _NONE
    seconds: Ends = _NONE
    clearing_s: Ends = _NONE

    def least_s(self, current_a: float) -> float:
        """Soonest clearing at a current, seconds; infinite below the band of the pickup."""
        if current_a < self.low_a:
            return math.inf
        return self._time_s(current_a, self.low_a, 0)

    def most_s(self, current_a: float) -> float:
        """Latest clearing at a current, seconds; infinite while it may not trip."""
        if current_a < self.high_a:
            return math.inf
        return self._time_s(current_a, self.high_a, 1)

    def _time_s(self, current_a: float, edge_a: float, end: int) -> float:
        delay_s = self._delay_s(current_a, edge_a) * (1 + self.percent[end] / 100) + self.seconds[end]
        return max(delay_s, 0.0) + self.clearing_s[end]

    def _delay_s(self, current_a: float, edge_a: float) -> float:
        if self.shape is Shape.FLAT:
            return self.delay
        if self.shape is Shape.I2T:
            return i2t_s(self.delay, self.reference_a, current_a, flat_beyond=self.flat_beyond)
        return inverse_s(self.shape, current_a / edge_a, self.delay)

    @property
    def corners(self) -> tuple[float, ...]:
        """Currents at which the band jumps or bends."""
        ceiling = (self.low_a * CEILING, self.high_a * CEILING) if self.shape.is_inverse else ()
        return (self.low_a, self.high_a, *([self.reference_a] if self.flat_beyond else ()), *ceiling)


@dataclass(frozen=True, slots=True, kw_only=True)
class TripBand:
    """All functions of one device that see the same current."""

    elements: tuple[Element, ...]

    def least_s(self, current_a: float) -> float:
        """Soonest clearing at a current, seconds."""
        return min((element.least_s(current_a) for element in self.elements), default=math.inf)

    def most_s(self, current_a: float) -> float:
        """Latest clearing at a current, seconds."""
        return min((element.most_s(current_a) for element in self.elements), default=math.inf)

    @property
    def corners(self) -> tuple[float, ...]:
        """Currents at which some function jumps or bends, rising."""
        return tuple(sorted({corner for element in self.elements for corner in element.corners}))


def band_of(
    group: GroupRule,
    settings: Mapping[str, FunctionSetting],
    bases: RatingBases,
    functions: Iterable[str] = PHASE_FUNCTIONS,
) -> TripBand:
    """The band of a group's functions with these settings.

    bases: sensor and plug, for delays that count at a multiple of them. Raises NoBandError that says why.
    """
    long_time = settings.get("long_time")
    pickup_a = None if long_time is None else long_time.pickup_a
    bases = RatingBases(sensor_a=bases.sensor_a, plug_a=bases.plug_a, pickup_a=pickup_a)
    elements = []
    for name in functions:
        setting, rule = settings.get(name), group.functions.get(name)
        if rule is None:
            if setting is not None and setting.enabled is not False:
                raise NoBandError(f"the profile does not say how its {TITLES[name].lower()} function trips")
            continue
        if setting is None:
            raise NoBandError(f"nothing is known of its {TITLES[name].lower()} function")
        if setting.enabled is False:
            continue
        elements.append(_element(name, rule, setting, bases))
    if not elements:
        raise NoBandError("no function is on")
    return TripBand(elements=tuple(elements))


def _element(name: str, rule: FunctionRule, setting: FunctionSetting, bases: RatingBases) -> Element:
    title = TITLES[name].lower()
    if setting.enabled is None and (rule.enabled is not None or rule.pickup.off):
        raise NoBandError(f"it is not known whether its {title} function is on")
    if setting.pickup_a is None or setting.pickup_a <= 0:
        raise NoBandError(f"its {title} pickup is not known")
    tolerance = rule.pickup.tolerance_percent
    if tolerance is None:
        raise NoBandError(f"the profile states no tolerance for its {title} pickup")
    if rule.clearing_s is None:
        raise NoBandError(f"the profile states no clearing time for its {title} function")
    pickup_a = setting.pickup_a
    plain = Element(
        function=name,
        low_a=pickup_a * (1 + tolerance[0] / 100),
        pickup_a=pickup_a,
        high_a=pickup_a * (1 + tolerance[1] / 100),
        clearing_s=rule.clearing_s,
    )
    return plain if rule.delay is None else _delayed(plain, rule, setting, bases)


def _delayed(plain: Element, rule: FunctionRule, setting: FunctionSetting, bases: RatingBases) -> Element:
    """The element with its delay."""
    title, timing = TITLES[plain.function].lower(), rule.delay
    assert timing is not None
    if setting.delay is None or setting.shape is None:
        raise NoBandError(f"its {title} {'delay' if setting.delay is None else 'curve'} is not known")
    if timing.tolerance_percent is None and timing.tolerance_s is None:
        raise NoBandError(f"the profile states no tolerance for its {title} delay")
    if setting.shape.is_inverse is (setting.delay_unit == "s"):
        raise NoBandError(f"its {title} delay does not fit the curve {setting.shape.value}")
    reference_a = 0.0
    if setting.shape is Shape.I2T:
        own = RatingBases(
            sensor_a=bases.sensor_a, plug_a=bases.plug_a, pickup_a=bases.pickup_a, own_a=plain.pickup_a
        )
        base_a = own.of("" if setting.base == "A" else setting.base)
        if base_a is None or not setting.multiple:
            raise NoBandError(f"it is not known at which current its {title} delay counts")
        reference_a = setting.multiple * base_a
    return replace(
        plain,
        shape=setting.shape,
        delay=setting.delay,
        reference_a=reference_a,
        flat_beyond=timing.flat_beyond and setting.shape is Shape.I2T,
        percent=timing.tolerance_percent or _NONE,
        seconds=timing.tolerance_s or _NONE,
    )
