"""Trip time of every breaker at its available fault current, by the study that the map names.

The settings are those that the study asks for, not those of the gear (``settings`` compares the two); the
band comes from the tolerances of the type. There is no limit to hold a time against: whether it is right is
the study's business, and coordination is a check of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from probe.desk.curve import Function, trip_time
from probe.desk.from_map import Calculation, Kind
from probe.desk.working import Amount, Step, Working, between, missing
from probe.model.device_map import Device
from probe.model.device_map import Kind as Sort
from probe.model.lineup import Lineup
from probe.model.protection import PHASE_FUNCTIONS, TITLES, FunctionSetting
from probe.model.setting_rule import GroupRule
from probe.model.study import resolved_group
from probe.model.trip_band import Element, NoBandError, TripBand, band_of

GROUP = "normal"
CAUTION = (
    "Calculated from the study, not tested at the breaker: one whose settings or state are others trips at "
    "another time, or not at all."
)
_NO_LIMIT = "there is no limit to it here: the study decides, and coordination is a check of its own"


def curves(lineup: Lineup) -> tuple[Calculation, ...]:
    """One calculation for each trip unit with studied settings and a known fault current, in map order."""
    return tuple(_curves(lineup))


def _curves(lineup: Lineup) -> Iterator[Calculation]:
    for device in lineup.map.devices:
        study = lineup.studies.get(device.tag)
        entry = None if study is None else study.devices.get(device.tag)
        current_ka = device.fault_current_ka or lineup.map.system.fault_current_ka
        if device.kind is not Sort.TRIP_UNIT or entry is None or current_ka is None or study is None:
            continue
        working = _working(lineup, device, current_ka * 1000, study.label)
        title = f"{device.tag}: trip time at {current_ka:g} kA"
        yield Calculation(kind=Kind.CURVE, name=device.tag, title=title, working=working)


def _working(lineup: Lineup, device: Device, current_a: float, label: str) -> Working:
    name = f"clearing time at {current_a / 1000:g} kA"
    inputs = (("fault_current", Amount(value=current_a, unit="A")), ("study", label), ("group", GROUP))
    try:
        band = studied_band(lineup, device.tag, GROUP, PHASE_FUNCTIONS)
    except NoBandError as error:
        steps: tuple[Step, ...] = (Step(text=f"no band can be made: {error}"),)
        return Working(calculation="curve", inputs=inputs, steps=steps, result=(), caution=CAUTION)
    steps = tuple(step for element in band.elements for step in _steps(element, current_a))
    least, most = band.least_s(current_a), band.most_s(current_a)
    result = missing(name, "s") if math.isinf(most) else between(name, most, (least, most), "s")
    ends = f"between {least:.4g} and {most:.4g} s" if math.isfinite(most) else "perhaps never"
    together = Step(
        text=f"the fastest decides, with tolerances and clearing: {ends}", source="profile of the type"
    )
    return Working(
        calculation="curve",
        inputs=inputs,
        steps=(*steps, together, Step(text=_NO_LIMIT)),
        result=(result,),
        caution=CAUTION,
    )


def studied_band(lineup: Lineup, tag: str, group: str, functions: Iterable[str]) -> TripBand:
    """The band of a breaker's functions as the study sets them. Raises NoBandError that says why not."""
    study = lineup.studies.get(tag)
    entry = None if study is None else study.devices.get(tag)
    if entry is None:
        raise NoBandError(f"the study has no settings for {tag}")
    device = lineup.map.by_tag[tag]
    rule = lineup.profile_of(device).settings
    if rule is None or group not in rule.groups:
        raise NoBandError(f"the profile of {tag} does not say how its {group} group trips")
    sensor_a, plug_a = device.ratings.sensor_a, device.ratings.plug_a
    settings = resolved_group(entry, group, sensor_a, plug_a, lineup.map.system.frequency_hz)
    completed = _completed(rule.groups[group], settings)
    try:
        return band_of(rule.groups[group], completed, entry.bases(group, sensor_a, plug_a), functions)
    except NoBandError as error:
        raise NoBandError(f"{tag}: {error}") from None


def _completed(group: GroupRule, settings: Mapping[str, FunctionSetting]) -> Mapping[str, FunctionSetting]:
    """Studied settings with what only the type can say: a fixed curve's reference current where the study
    gives none."""
    completed = dict(settings)
    for name, function in group.functions.items():
        setting, timing = completed.get(name), function.delay
        if setting is not None and timing is not None and not setting.multiple:
            completed[name] = replace(setting, multiple=timing.multiple, base=timing.base)
    return completed


def _steps(element: Element, current_a: float) -> Iterator[Step]:
    function = Function(
        shape=element.shape,
        pickup_a=element.pickup_a,
        delay=element.delay,
        reference_a=element.reference_a,
        flat_beyond=element.flat_beyond,
    )
    found = trip_time(function, current_a)
    title = TITLES.get(element.function, element.function)
    yield Step(text=f"{title}: {'; '.join(found.steps)}", source=found.source)
