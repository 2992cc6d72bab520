"""All faults of the practice lineup in one table: the scenario files, the tests and the manual read it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from probe.model.device_map import Kind
from probe.model.errors import Problem
from probe.model.nearest import did_you_mean, listed
from probe.model.profile import Point
from probe.model.reading import Value
from probe.practice.clock_faults import CLOCK_FAULTS, marks_stamps
from probe.practice.fault import Fault, FaultKind, Names, Place
from probe.practice.gear_faults import GEAR_FAULTS, alarm_names
from probe.practice.metering import measure
from probe.practice.part import Part, Stage
from probe.practice.roster import plant, roster
from probe.practice.set_faults import SET_FAULTS
from probe.practice.show import has_no_value, measured_key
from probe.practice.wire_faults import WIRE_FAULTS


def _by_name(kinds: tuple[FaultKind, ...]) -> Mapping[str, FaultKind]:
    table = {kind.name: kind for kind in kinds}
    if len(table) != len(kinds):
        raise ValueError("two faults have the same name")
    return table


#: Every kind of fault by its name, those on the wire first.
FAULTS: Mapping[str, FaultKind] = _by_name((*WIRE_FAULTS, *GEAR_FAULTS, *CLOCK_FAULTS, *SET_FAULTS))


def inject(stage: Stage, fault: Fault) -> None:
    """Change the stage as the fault has it. Raises KeyError if its device is not on the stage."""
    FAULTS[fault.kind].apply(stage, stage.part(fault.at), fault)


def misfit(stage: Stage, fault: Fault, file: str) -> Problem | None:
    """Why the fault would do nothing where it is put, None if it has a meaning there.

    file: the scenario's name, for the problem.
    """
    kind, part = FAULTS[fault.kind], stage.part(fault.at)
    place = _PLACES[kind.place]
    if not place(stage, part):
        return _problem(
            fault, file, f"{kind.name} means nothing at {fault.at}", f"a device that {kind.place.value}"
        )
    if fault.point or kind.usual_point or kind.names in _FIELDS:
        return _ill_fitting(part, fault, kind, file)
    if kind.names is Names.NOTHING:
        return None
    known, text = _NAMED[kind.names](part), fault.text or kind.usual
    if text not in known if text else not known:
        return _unknown(fault, file, kind.names.value, text, known)
    return None


def _ill_fitting(part: Part, fault: Fault, kind: FaultKind, file: str) -> Problem | None:
    """Why the point cannot show what the fault gives; None if it can."""
    point = fault.point or kind.usual_point
    name = point or part.profile.identity.points.get(kind.names.value, "")
    value: Value = fault.text if not point else 0 if fault.number is None else fault.number
    if point and point not in part.profile.by_name:
        return _unknown(fault, file, "point", point, part.profile.by_name)
    if not name or value == "":
        return None
    try:
        part.profile.by_name[name].decoder.encode(value)
    except ValueError as error:
        return _problem(
            fault, file, f"{name} of {fault.at} cannot show {value}: {error}", "a value that fits"
        )
    return None


def _problem(fault: Fault, file: str, what: str, allowed: str, remedy: str = "") -> Problem:
    return Problem(
        file=file,
        what=what,
        line=fault.line,
        column=fault.column,
        found=fault.at,
        allowed=allowed,
        remedy=remedy,
    )


def _unknown(fault: Fault, file: str, what: str, found: str, known: Iterable[str]) -> Problem:
    names = list(known)
    text = f"{fault.at} has no {what} {found}".rstrip()
    return _problem(fault, file, text, listed(names) or f"no {what} at all", did_you_mean(found, names))


#: Names that are fields of the identity: their text must fit the point that shows it.
_FIELDS = (Names.MODEL, Names.SERIAL, Names.FIRMWARE)

_PLACES: Mapping[Place, Callable[[Stage, Part], bool]] = {
    Place.ANY: lambda stage, part: True,
    Place.OWN_ADDRESS: lambda stage, part: not part.entry.via,
    Place.GATEWAY: lambda stage, part: bool(stage.behind(part.entry.tag)),
    Place.BEHIND: lambda stage, part: bool(part.entry.via),
    Place.BREAKER: lambda stage, part: bool(part.entry.breaker),
    Place.CIRCUIT: lambda stage, part: part.instrument is not None,
    Place.LOADED: lambda stage, part: "current" in _quantities(_measured(part)),
    Place.CLOSED: lambda stage, part: part.entry.breaker == "closed",
    Place.CLOCK: lambda stage, part: part.profile.clock is not None,
    Place.SUPPLY: lambda stage, part: part.entry.kind is Kind.UPS,
    Place.UPTIME: lambda stage, part: bool(part.profile.uptime),
    Place.MARKED_CLOCK: lambda stage, part: _has_marked_clock(part),
}


def _has_marked_clock(part: Part) -> bool:
    rule = part.profile.clock
    return rule is not None and marks_stamps(part.profile.by_name[rule.point])


def _measured(part: Part) -> list[Point]:
    """Points that show something measured that is not zero as the lineup was drawn."""
    if part.instrument is None or not part.entry.circuit:
        return []
    closed = {tag: entry.breaker == "closed" for tag, entry in roster().items() if entry.breaker}
    shown = measure(plant("", closed), part.entry.circuit, part.instrument, 0.0)
    return [point for point in part.profile.points if shown.get(measured_key(point))]


def _quantities(points: Iterable[Point]) -> list[str]:
    return sorted({point.quantity for point in points})


_NAMED: Mapping[Names, Callable[[Part], list[str]]] = {
    Names.ALARM: lambda part: [*alarm_names(part, "alarm"), *alarm_names(part, "notice")],
    Names.TRIP: lambda part: alarm_names(part, "trip"),
    Names.QUANTITY: lambda part: _quantities(_measured(part)),
    Names.BLANK: lambda part: _quantities(point for point in _measured(part) if has_no_value(point)),
    Names.BUS: lambda part: [rule.bus for rule in part.profile.states if rule.bus],
}
