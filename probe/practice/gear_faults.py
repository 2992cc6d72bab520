"""Faults of identity, state and measurement: the device answers well, and says something wrong.

Those of clocks are in ``clock_faults``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from probe.practice.fault import Fault, FaultKind, Names, Place
from probe.practice.part import Part, Stage

#: A name that tries everything at once: a screen's control codes, markup, a formula, text that runs
#: backwards, a zero byte, Latin-1.
HOSTILE = "=1+1\x1b[31m[red]\u202egnp\x00".encode() + b"\xe4\xff"


def _identity(**fields: str) -> Callable[[Stage, Part, Fault], None]:
    def apply(_stage: Stage, part: Part, fault: Fault) -> None:
        for name, text in fields.items():
            part.identity[name] = fault.text or text

    return apply


def _hostile(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.hostile = HOSTILE


def _flip(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.flipped = True


def _times_ten(_stage: Stage, part: Part, fault: Fault) -> None:
    part.times_ten.add(fault.text or "voltage_line")
    if not fault.text:
        part.times_ten.add("voltage_phase")


def _shift(_stage: Stage, part: Part, fault: Fault) -> None:
    part.shift = 1 if fault.number is None else int(fault.number)


def _freeze(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.frozen = True


def _stuck(_stage: Stage, part: Part, fault: Fault) -> None:
    part.shows[fault.point or "heartbeat"] = 4711 if fault.number is None else fault.number


def _blank(_stage: Stage, part: Part, fault: Fault) -> None:
    part.blank.add(fault.text or "current")


def _reverse(_stage: Stage, part: Part, fault: Fault) -> None:
    wrong = "abc".index(fault.phase or "b")
    part.rewire(*((n, -1 if n == wrong else 1) for n in range(3)))


def _swap_phases(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.rewire((0, 1), (2, 1), (1, 1))


def _other_order(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.rewire((0, 1), (2, 1), (1, 1))
    if part.instrument is not None:
        part.instrument = replace(part.instrument, voltages=(0, 2, 1))


def _other_sign(_stage: Stage, part: Part, _fault: Fault) -> None:
    if part.instrument is not None:
        part.instrument = replace(part.instrument, sign=-1)


def _alarm(severity: str) -> Callable[[Stage, Part, Fault], None]:
    def apply(_stage: Stage, part: Part, fault: Fault) -> None:
        part.alarms.add(fault.text or alarm_names(part, severity)[0])

    return apply


def alarm_names(part: Part, severity: str) -> list[str]:
    """The names of a device's alarms of one severity, as its profile has them."""
    return [alarm.name for alarm in part.profile.alarms if alarm.severity == severity]


def _trip(stage: Stage, part: Part, fault: Fault) -> None:
    part.breaker = "tripped"
    _alarm("trip")(stage, part, fault)


def _set(name: str, value: str) -> Callable[[Stage, Part, Fault], None]:
    def apply(_stage: Stage, part: Part, _fault: Fault) -> None:
        setattr(part, name, value)

    return apply


def _withdrawn(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.position, part.breaker = "withdrawn", "open"


def _bus_down(_stage: Stage, part: Part, fault: Fault) -> None:
    part.buses_down.add((fault.text or "b").lower())


def _setting(_stage: Stage, part: Part, fault: Fault) -> None:
    part.shows[fault.point] = fault.number


def _battery(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.on_battery = True


def _restart(_stage: Stage, part: Part, fault: Fault) -> None:
    part.restarts_after = fault.every_or(1)


GEAR_FAULTS = (
    FaultKind(
        name="wrong-model",
        does="is another model than drawn; `text` gives its name",
        sees="Identity fails; its values are not judged.",
        checks=("identity.model",),
        names=Names.MODEL,
        apply=_identity(model="QM-77"),
        takes=("text",),
    ),
    FaultKind(
        name="wrong-serial",
        does="has another serial number than drawn; `text` gives it",
        sees="Identity fails: another piece of the same type hangs here.",
        checks=("identity.serial",),
        names=Names.SERIAL,
        apply=_identity(serial="XX99-00001"),
        takes=("text",),
    ),
    FaultKind(
        name="old-firmware",
        does="runs firmware 1.0.2; `text` gives another version",
        sees="Firmware outside the expected range.",
        checks=("identity.firmware",),
        names=Names.FIRMWARE,
        apply=_identity(firmware="1.0.2"),
        takes=("text",),
    ),
    FaultKind(
        name="hostile-name",
        does="has control codes, markup and text that runs backwards for its names",
        sees="Identity fails; the text is shown with its control codes made visible, and does nothing.",
        checks=("identity.model", "identity.serial", "identity.maker"),
        apply=_hostile,
    ),
    FaultKind(
        name="word-order",
        does="sends values of two registers with the words in reverse",
        sees="The proof point fails, or the values cannot be; the order that fits is named.",
        checks=("proof.point", "values.byte_order"),
        apply=_flip,
        at="MTR-M1",
    ),
    FaultKind(
        name="scale-off",
        does="shows voltages ten times too large, or the quantity in `text`",
        sees="Values out of range.",
        checks=("values.range",),
        names=Names.QUANTITY,
        usual="voltage_line",
        place=Place.CIRCUIT,
        apply=_times_ten,
        takes=("text",),
        at="MTR-M1",
    ),
    FaultKind(
        name="address-off",
        does="has all registers one address higher, or `number` addresses",
        sees="The proof point fails; it matches at the next address.",
        checks=(
            "proof.point",
            "identity.serial",
        ),
        apply=_shift,
        takes=("number",),
        at="MTR-M1",
    ),
    FaultKind(
        name="frozen",
        does="shows the same values for ever: nothing moves, not even the clock",
        sees="Freshness fails: the values may come from a cache or a stuck device.",
        checks=("fresh.device",),
        apply=_freeze,
    ),
    FaultKind(
        name="stuck-point",
        does="one point stands still: the heartbeat at 4711, or `point` at `number`",
        sees="The point stands still where it must move.",
        checks=("fresh.point",),
        usual_point="heartbeat",
        apply=_stuck,
        takes=("point", "number"),
    ),
    FaultKind(
        name="not-available",
        does='shows the type\'s own "no value" for currents, or for the quantity in `text`',
        sees="Not available, which is told apart from zero and from no reply.",
        checks=("values.available",),
        names=Names.BLANK,
        usual="current",
        place=Place.CIRCUIT,
        apply=_blank,
        takes=("text",),
        at="MTR-F7",
    ),
    FaultKind(
        name="reversed-ct",
        does="the current transformer of `phase` (b) is turned round",
        sees="The power of one phase flows against the others, the total is a third.",
        checks=("electrical.direction", "electrical.triangle", "electrical.power"),
        place=Place.LOADED,
        apply=_reverse,
        takes=("phase",),
        at="MTR-M1",
    ),
    FaultKind(
        name="swapped-phases",
        does="the current transformers of phases b and c are exchanged",
        sees="The powers do not fit each other: their total is nearly nothing.",
        checks=("electrical.triangle", "electrical.power", "electrical.direction"),
        place=Place.LOADED,
        apply=_swap_phases,
        at="MTR-M1",
    ),
    FaultKind(
        name="other-order",
        does="phases b and c are exchanged at the instrument, in voltages and currents alike",
        sees="The phases turn the other way round at this instrument; its powers are right.",
        checks=("electrical.sequence", "electrical.sound", "electrical.unbalance"),
        place=Place.CIRCUIT,
        apply=_other_order,
        at="MTR-M1",
    ),
    FaultKind(
        name="other-sign",
        does="active power that a load takes is counted as negative",
        sees="Active power against that of the other instrument, its sign and nothing else.",
        checks=("electrical.sound", "electrical.same_circuit"),
        place=Place.LOADED,
        apply=_other_sign,
        at="MTR-M1",
        among=("52-M1",),
    ),
    FaultKind(
        name="alarm",
        does="an alarm is active; `text` gives its name in the profile",
        sees="The alarm, by its title.",
        checks=("alarms.present",),
        names=Names.ALARM,
        apply=_alarm("alarm"),
        takes=("text",),
    ),
    FaultKind(
        name="trip",
        does="the breaker has tripped; `text` names the cause in the profile",
        sees="The trip, and a breaker that is not as expected.",
        checks=("alarms.present", "state.breaker"),
        place=Place.BREAKER,
        names=Names.TRIP,
        apply=_trip,
        takes=("text",),
    ),
    FaultKind(
        name="withdrawn",
        does="the breaker is withdrawn",
        sees="Position not as expected.",
        checks=("state.position",),
        place=Place.BREAKER,
        apply=_withdrawn,
    ),
    FaultKind(
        name="breaker-open",
        does="the breaker is open",
        sees="Breaker not as expected.",
        checks=("state.breaker",),
        place=Place.CLOSED,
        apply=_set("breaker", "open"),
    ),
    FaultKind(
        name="bus-down",
        does="the flag of communication bus B is down; `text` names another bus",
        sees="The communication flag of that bus.",
        checks=("state.communication",),
        place=Place.BREAKER,
        names=Names.BUS,
        apply=_bus_down,
        takes=("text",),
    ),
    FaultKind(
        name="maintenance-on",
        does="maintenance mode is on",
        sees="Maintenance mode not as expected.",
        checks=("state.maintenance",),
        place=Place.BREAKER,
        apply=_set("maintenance", "on"),
    ),
    FaultKind(
        name="wrong-setting",
        does="`point` shows `number`: somebody changed a setting",
        sees="The setting beside what the study asks for, the more dangerous direction first; and the "
        "coordination that it takes away.",
        checks=("settings.study",),
        needs=("point", "number"),
        apply=_setting,
        takes=("point", "number"),
    ),
    FaultKind(
        name="on-battery",
        does="the control power supply runs from its battery",
        sees="On battery: the gear's control power is not healthy.",
        checks=("alarms.present",),
        place=Place.SUPPLY,
        apply=_battery,
        at="UPS-1",
    ),
    FaultKind(
        name="restart",
        does="restarts once, after its time since start was read `every` (1) times",
        sees="Restarted during the test.",
        checks=("motion.restart",),
        place=Place.UPTIME,
        apply=_restart,
        takes=("every",),
    ),
)
