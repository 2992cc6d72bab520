"""Do the ratings that the device holds agree with the drawings."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import STANDING_VALUES, DeviceCheck, Subject
from probe.judge.context import DeviceContext
from probe.judge.limit import around, within
from probe.judge.traits import traits_of
from probe.judge.wording import number
from probe.model.device_map import Device, Ratings
from probe.model.finding import Finding, Verdict
from probe.model.profile import Point, Profile

#: Words in a point's name that tell which rating of the map it is.
_WORDS = {
    "frame": "frame_a",
    "sensor": "sensor_a",
    "plug": "plug_a",
    "ct_primary": "ct_primary_a",
    "ct_secondary": "ct_secondary_a",
    "vt_primary": "vt_primary_v",
    "vt_secondary": "vt_secondary_v",
}
#: The same for points that hold a ratio: primary over secondary.
_RATIOS = {"ct_ratio": ("ct_primary_a", "ct_secondary_a"), "vt_ratio": ("vt_primary_v", "vt_secondary_v")}


def rated_points(device: Device, profile: Profile) -> list[tuple[Point, float]]:
    """Points that hold a rating, with what the map says of it."""
    pairs = []
    for point in traits_of(profile).ratings:
        wanted = _drawn(point.name, device.ratings)
        if wanted is not None:
            pairs.append((point, wanted))
    return pairs


def _drawn(name: str, ratings: Ratings) -> float | None:
    """What the map says of the rating that a point's name tells; None if it says nothing."""
    ratio = next((fields for word, fields in _RATIOS.items() if word in name), None)
    if ratio is not None:
        primary, secondary = (getattr(ratings, field) for field in ratio)
        return primary / secondary if primary and secondary else None
    field = next((field for word, field in _WORDS.items() if word in name), None)
    wanted = getattr(ratings, field) if field else None
    return None if wanted is None else float(wanted)


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    tested, wrong = 0, []
    for point, wanted in rated_points(context.device, context.profile):
        reading = context.latest(point.name)
        if reading is None:
            continue
        tested += 1
        half_digit = 0.5 * 10.0**-point.decimals
        if (
            within(around(float(reading.value), 0.0), wanted - half_digit, wanted + half_digit)
            is Verdict.PASS
        ):
            continue
        wrong.append(
            check.find(
                context.tag,
                Verdict.FAIL,
                f"{point.title} is not what the drawing says",
                observed=number(float(reading.value), point.decimals),
                expected=f"{wanted:g}",
                unit=point.unit,
                point=point.name,
                evidence=(reading.sequence,),
                advice="Look at the nameplate and the sensor, not at the drawing alone. Protection settings "
                "are "
                "multiples of this rating: with a wrong one every pickup is wrong by the same factor.",
            )
        )
    yield from wrong
    if tested and not wrong:
        yield check.find(
            context.tag, Verdict.PASS, "Ratings as drawn", observed=f"{tested} of {tested} agree"
        )


def _applies(subject: Subject) -> bool:
    return bool(rated_points(subject.device, subject.profile))


CHECK = DeviceCheck(
    id="ratings.drawn",
    title="Ratings as drawn",
    needs=STANDING_VALUES,
    why="Currents and pickups are scaled by sensor and transformer ratings: a wrong one makes the breaker "
    "trip too "
    "late or never.",
    source="rule: map",
    since="0.1",
    danger=8,
    where="devices whose profile shows a rating that the map states",
    run=_run,
    applies=_applies,
)
