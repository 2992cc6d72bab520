"""The register image of one device at the instant at which it is read, made from its profile.

Every register comes from the profile's own ``encode``; nothing here knows an encoding. What a point shows is
decided in this order: a fixed value set by a fault, the profile's proof, who it is, what time it is, how
long it has been up, the state of the gear with its alarms, a measured quantity, and for all that is left a
plausible constant.

Addresses between points hold zero; a hole of the profile, and whatever lies outside the first and last point
of an area, is answered with exception 2 (MODBUS Application Protocol Specification V1.1b3, 7).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from probe.model.profile import Area, Point, Profile
from probe.model.reading import Value
from probe.practice.ancillary import ancillary_value
from probe.practice.clock_faults import Asked
from probe.practice.clock_setter import ClockSetter
from probe.practice.clockwork import Moment
from probe.practice.metering import Measured, measure
from probe.practice.part import Part
from probe.practice.physics import Plant
from probe.practice.server import Refusal
from probe.practice.show import (
    Showing,
    duration,
    gear_value,
    has_no_value,
    identity_value,
    measured_key,
    plain_value,
    saturated,
    scaled,
)

#: Types whose registers have an order of their own, which the fault of exchanged words leaves alone.
_WORDLESS = ("text", "clock", "bit")
#: Quantities of the electrical model that need no phase.
#: What an entry of the event log shows that was never filled.
_EPOCH_S = 946_684_800.0
_PHASELESS = ("frequency", "unbalance", "distortion")
_AREAS = {area.function: area for area in Area}


class Image:
    """What a device shows; ``read`` is asked at request time. now: the instant, from outside."""

    def __init__(self, part: Part, plant: Plant, showing: Showing, now: Callable[[], Moment]) -> None:
        self._part = part
        self._plant = plant
        self._showing = showing
        self._now = now
        proof = {proof.point: proof.equals for proof in part.profile.proof}
        self._fixed: dict[str, Value | None] = {**showing.factors, **proof}
        self._names = {point: name for name, point in part.profile.identity.points.items()}
        self._events = {
            name: (place, field)
            for place, event in enumerate(part.profile.events)
            for field, name in zip(("number", "code", "time"), event.points(), strict=True)
        }
        self._twist = part.clock_twist() if part.clock_twist is not None else None
        self._clock_read = 0
        self._setter = ClockSetter(part, showing.zone_s)
        self._uptime_read = 0
        self._started_s = -part.awake_s
        self._areas = {area: _points_of(part.profile, area) for area in Area}

    # -- Registers (see ``server``) ------------------------------------------------------------------

    def read(self, function: int, start: int, count: int) -> list[int] | list[bool]:
        """Registers or bits as they stand now. Raises Refusal."""
        area = _AREAS[function]
        moment = self._tick()
        first = start - self._part.shift
        self._check(area, start, first, count)
        width = 1 if area.is_bits else 2
        raw = bytearray(width * count)
        asked = [p for p in self._areas[area] if p.start < first + count and p.end > first]
        # The electrical model is asked only for what it knows: states and names cost nothing then.
        measured = self._measured(moment) if any(p.phase or p.quantity in _PHASELESS for p in asked) else {}
        for point in asked:
            data = self._bytes_of(point, moment, measured)
            _lay(raw, data, (point.start - first) * width)
        if area.is_bits:
            return [bool(value) for value in raw]
        return [int.from_bytes(raw[i : i + 2], "big") for i in range(0, len(raw), 2)]

    def write(self, function: int, start: int, words: Sequence[int]) -> None:
        """Take registers of the clock, as the profile lets them be written. Raises Refusal."""
        self._setter.write(function, start - self._part.shift, words, self._tick())

    def identification(self) -> Mapping[int, bytes]:
        """Objects of Read Device Identification as the profile numbers them."""
        self._tick()
        rule = self._part.profile.identity
        objects = {
            number: self._part.hostile or self._part.identity.get(name, "").encode()
            for name, number in rule.objects.items()
        }
        return dict(sorted(objects.items()))

    # -- inside ----------------------------------------------------------------------------------------

    def _tick(self) -> Moment:
        """The instant; a device that is to restart does so at its request."""
        moment = self._now()
        if self._part.frozen:
            return Moment(moment.truth_s - moment.since_s, 0.0)
        if self._uptime_read and self._uptime_read == self._part.restarts_after:
            self._uptime_read += 1
            self._started_s = moment.since_s
        return moment

    def _check(self, area: Area, start: int, first: int, count: int) -> None:
        limits = self._part.profile.limits
        if count > (limits.bits if area.is_bits else limits.registers):
            raise Refusal(3)
        points = self._areas[area]
        inside = bool(points) and points[0].start <= first and first + count <= max(p.end for p in points)
        if not inside and not (points and self._part.shift):
            raise Refusal(2)
        for hole in self._part.profile.holes:
            if hole.area is area and hole.start < start + count and hole.end > start:
                raise Refusal(2)

    def _measured(self, moment: Moment) -> Measured:
        part = self._part
        if part.instrument is None or not part.entry.circuit:
            return {}
        return measure(self._plant, part.entry.circuit, part.instrument, moment.since_s)

    def _bytes_of(self, point: Point, moment: Moment, measured: Measured) -> bytes:
        value = self._value(point, moment, measured)
        if isinstance(value, bytes):
            return value
        raw = self._encoded(point, value)
        if self._part.flipped and point.count > 1 and point.type not in _WORDLESS:
            return b"".join(raw[i : i + 2] for i in range(len(raw) - 2, -1, -2))
        return raw

    def _encoded(self, point: Point, value: Value | None) -> bytes:
        if point.scale_factor and value is not None:
            return self._showing.with_factor(point, value)
        try:
            return point.decoder.encode(value)
        except ValueError:
            return saturated(point, value)

    def _value(self, point: Point, moment: Moment, measured: Measured) -> Value | bytes | None:
        """What the point shows; bytes for text that no honest encoder would make."""
        part, profile = self._part, self._part.profile
        if point.name in part.shows:  # hands may change it while the lineup is up
            return part.shows[point.name]
        if point.name in self._fixed:
            return self._fixed[point.name]
        if point.name in self._events:
            return self._event_value(point)
        if point.name in self._names:
            return self._identity_value(point, self._names[point.name])
        if profile.clock is not None and point.name == profile.clock.point:
            return self._clock_value(point, moment)
        if point.name == profile.uptime:
            self._uptime_read += 1
            return duration(point, self._seconds_up(moment))
        plain = ancillary_value(part, point, moment)
        gear = gear_value(part, point, plain)
        if gear is not None or plain is not None:
            return plain if gear is None else gear
        return self._measured_value(point, moment, measured)

    def _event_value(self, point: Point) -> Value:
        """One field of an entry of the event log, newest first; 0 for an entry that is not filled."""
        place, field = self._events[point.name]
        events = self._part.events
        entry = events[-1 - place] if place < len(events) else None
        if field == "time":
            return _EPOCH_S if entry is None else math.floor(entry.shown_s * 1000) / 1000
        if entry is None:
            return 0
        if field == "number":
            return entry.number
        return next((raw for raw, word in point.values.items() if word == entry.what), 0)

    def _measured_value(self, point: Point, moment: Moment, measured: Measured) -> Value | None:
        part, key = self._part, measured_key(point)
        if key not in measured:
            return plain_value(part, point, moment, self._seconds_up(moment))
        if point.quantity in part.blank and has_no_value(point):
            return None
        return scaled(point, measured[key] * (10 if point.quantity in part.times_ten else 1))

    def _identity_value(self, point: Point, name: str) -> Value | bytes:
        if self._part.hostile and point.type == "text":
            return self._part.hostile[: 2 * point.count].ljust(2 * point.count, b"\0")
        return identity_value(point, self._part.identity.get(name, ""))

    def _clock_value(self, point: Point, moment: Moment) -> Value | bytes:
        part = self._part
        self._setter.tick(moment)
        shown = part.clock.shows(moment.truth_s, moment.truth_s - moment.since_s)
        shown = math.floor(shown * 1000) / 1000  # a clock shows what has passed; it never rounds up
        rule = part.profile.clock
        shown += self._showing.zone_s if rule is not None and rule.zone == "local" else 0.0
        if self._twist is None:
            return shown
        self._clock_read += 1
        return self._twist(Asked(point, shown, moment.since_s, self._clock_read - 1))

    def _seconds_up(self, moment: Moment) -> float:
        return moment.since_s - self._started_s


def _points_of(profile: Profile, area: Area) -> tuple[Point, ...]:
    return tuple(sorted((p for p in profile.points if p.area is area), key=lambda p: p.start))


def _lay(raw: bytearray, data: bytes, offset: int) -> None:
    """Copy data into raw at an offset that may lie partly outside of it."""
    begin, end = max(offset, 0), min(offset + len(data), len(raw))
    raw[begin:end] = data[begin - offset : end - offset]
