"""Do all devices of a bus see its voltage, and all of a lineup one frequency."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from statistics import median

from probe.judge.check import VALUES, LineupCheck
from probe.judge.electrical.apparent import classes
from probe.judge.electrical.quantities import PAIRS, Key
from probe.judge.electrical.readings import Readings, keys_at, moved, readings_of, sources, tags_of
from probe.judge.electrical.snapshot import Measured, Snapshot
from probe.judge.electrical.topology import Stand, Zone, topology_of
from probe.judge.electrical.trial import Trial, roomy, settled, trial
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import AT_THE_GEAR
from probe.model.finding import Finding
from probe.model.lineup import Lineup
from probe.model.scope import Scope

#: How far frequencies of one system may differ, Hz; common practice, no source.
SAME_HZ = 0.05


def _bus_voltage(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    readings = readings_of(context)
    wanted = set(check.subjects(context.lineup, context.scope))
    for zone in readings.zones():
        seen = _on_bus(readings, zone)
        for source in zone.sources:
            if source not in wanted:
                continue
            if zone.doubt:
                yield check.untested(source, zone.doubt)
            elif len(seen) < 2:
                yield check.untested(source, "fewer than two live devices of this bus show its voltage")
            else:
                trials = [one for key in _keys(context) for one in _voltage_trials(context, seen, key)]
                yield from settled(check, source, _once(trials), "All devices of the bus see its voltage")


def _keys(context: LineupContext) -> tuple[Key, ...]:
    """The voltages that all devices of a bus see: between its phases, or of its one phase."""
    single = context.map.system.wiring == "single"
    return (("voltage_phase", "a"),) if single else tuple(("voltage_line", pair) for pair in PAIRS)


def _on_bus(readings: Readings, zone: Zone) -> dict[str, Snapshot]:
    """First snapshots of all devices that see the bus: those of closed circuits that are live."""
    found = {}
    for circuit in (*zone.sources, *zone.circuits):
        if readings.stand.get(circuit, Stand.UNKNOWN) is not Stand.CLOSED:
            continue
        for tag in readings.topology.instruments[circuit]:
            taken = readings.snapshots.get(tag)
            if taken and all(key in taken[0].values for key in _keys(readings.context)):
                found[tag] = taken[0]
    return found


def _voltage_trials(context: LineupContext, seen: Mapping[str, Snapshot], key: Key) -> Iterator[Trial]:
    values, pair = {tag: one.values[key] for tag, one in seen.items()}, key[1].upper()
    middle = median(one.value for one in values.values())
    share = context.map.tolerances.bus_voltage_percent / 100
    first = next(iter(values.values()))
    for tag, one in values.items():
        left = one.unclassed + moved(one, key[0], first)
        spare = roomy(share * middle + classes((one,)), left)
        others = f"{len(values) - 1} others" if len(values) > 2 else "the other one"
        yield trial(
            tag,
            one.value,
            left,
            _around(middle, spare),
            title=f"{tag} sees another voltage {pair} than {others} of its bus",
            advice="Look at this device's voltage transformers, their fuses, its ratio and its wiring "
            "setting; if "
            f"only two devices differ, it may be either. {AT_THE_GEAR}",
            unit="V",
            told=f"{tag}, {pair}",
            by=(one,),
        )


def _once(trials: Iterable[Trial]) -> list[Trial]:
    """Of each device the trial that is worst: one finding a device."""
    worst: dict[str, Trial] = {}
    for one in trials:
        known = worst.get(one.point)
        if known is None or one.margin > known.margin:
            worst[one.point] = one
    return list(worst.values())


def _frequency(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    readings = readings_of(context)
    seen = {
        tag: one
        for tag, taken in readings.snapshots.items()
        if (one := taken[0].get("frequency")) and one.value > 0
    }
    if len(seen) < 2:
        return [check.untested("lineup", "fewer than two live devices show the frequency")]
    middle = median(one.value for one in seen.values())
    first = next(iter(seen.values()))
    trials = [_frequency_trial(tag, one, middle, moved(one, "frequency", first)) for tag, one in seen.items()]
    return settled(check, "lineup", trials, "One frequency everywhere")


def _frequency_trial(tag: str, one: Measured, middle: float, drifted: float) -> Trial:
    left = one.unclassed + drifted
    return trial(
        tag,
        one.value,
        left,
        _around(middle, roomy(SAME_HZ + classes((one,)), left)),
        title=f"{tag} shows another frequency than the other devices",
        advice="A system has one frequency. Either this device hangs on a source of its own (a generator, an "
        "inverter), which must be known before anything is switched in parallel, or its value is read with "
        "the "
        "wrong scale or address, or is old.",
        unit="Hz",
        decimals=2,
        told=tag,
        by=(one,),
    )


def _around(middle: float, spare: float) -> tuple[float, float]:
    return middle - spare, middle + spare


def _with_frequency(lineup: Lineup, scope: Scope) -> list[str]:
    inside = tags_of(scope)
    shown = [
        tag
        for tag in topology_of(lineup.map).circuit_of
        if tag in inside and ("frequency", "") in keys_at(lineup, tag)
    ]
    return ["lineup"] if len(shown) > 1 else []


VOLTAGE = LineupCheck(
    id="electrical.bus_voltage",
    title="All devices of a bus see its voltage",
    needs=VALUES,
    why="One device that shows another voltage than its neighbours has a blown fuse, a wrong ratio or sits "
    "on "
    "another bus than drawn; a bus that is taken for dead by one device may be live.",
    source="one bus has one voltage; tolerance: accuracy class, and bus_voltage_percent of the map; common "
    "practice, "
    "no source",
    since="0.1",
    danger=7,
    where="breakers that feed others by the map's fed_from, with two or more live devices that show line "
    "voltages",
    run=_bus_voltage,
    subjects=sources,
    required=False,
    of_all=True,
)
FREQUENCY = LineupCheck(
    id="electrical.frequency",
    title="One frequency everywhere",
    needs=VALUES,
    why="A device with another frequency hangs on a source that nobody reckons with: closing a tie onto it "
    "destroys "
    "gear and people.",
    source="common practice, no source (0.05 Hz beside the accuracy)",
    since="0.1",
    danger=7,
    where="lineups in which two or more devices show the frequency",
    run=_frequency,
    subjects=_with_frequency,
    required=False,
    of_all=True,
)
