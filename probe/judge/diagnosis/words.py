"""Explanations in the words of those who have to act: what is wrong, what to do, what would settle it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.wiring import Part
from probe.judge.electrical.grounds import CT_CAUTION
from probe.judge.wording import AT_THE_GEAR, listed


class Whose(NamedTuple):
    """What a statement speaks of: devices in words, their profile, titles of points by name."""

    who: str
    profile: str
    titles: Mapping[str, str]


def said(part: Part, whose: Whose) -> str:
    """What is wrong, as a clause without its full stop."""
    template = _SAID[part.kind]
    return template.format(
        who=whose.who, where=part.where, profile=whose.profile, at=_at(part, whose), **_more(part)
    )


def mended(part: Part, whose: Whose) -> str:
    """What to do, in sentences."""
    template = _POINT_FIXES.get(part.kind, "") if part.at and part.at in whose.titles else _FIXES[part.kind]
    return (template or _FIXES[part.kind]).format(
        who=whose.who, where=part.where, profile=whose.profile, at=_at(part, whose), **_more(part)
    )


def settled(kinds: Sequence[Kind]) -> str:
    """Which further observation would tell these kinds apart; "" where none is known."""
    found = list(dict.fromkeys(_SETTLES[kind] for kind in kinds if kind in _SETTLES))
    return listed(found[:2])


def _at(part: Part, whose: Whose) -> str:
    if part.at in whose.titles:
        return f"{whose.titles[part.at]} ({part.at})"
    return part.at or "all its values"


def _more(part: Part) -> dict[str, str]:
    """Further words made from a part's number or phase."""
    if part.kind is Kind.SCALE:
        power = int(part.where)
        many = 10 ** abs(power)
        return {
            "times": f"{many:,} times too {'large' if power > 0 else 'small'}".replace(",", " "),
            "by": f"{'divide' if power > 0 else 'multiply'} the scale by {many}",
        }
    if part.kind in (Kind.AMP_RATIO, Kind.VOLT_RATIO):
        return {"times": f"{part.where} times what it is", "by": ""}
    if part.kind is Kind.ADDRESS:
        shift = int(part.where)
        many = "one address" if abs(shift) == 1 else f"{abs(shift)} addresses"
        return {"times": f"{many} {'higher' if shift > 0 else 'lower'}", "by": ""}
    if part.kind is Kind.TYPE:
        return {"times": "", "by": _type_lines(part.where)}
    if part.kind is Kind.REVERSED:
        two = " and " in part.where
        return {
            "times": f"phases {part.where}" if two else f"phase {part.where}",
            "by": "are" if two else "is",
        }
    return {"times": "", "by": ""}


def _type_lines(where: str) -> str:
    """The lines of a profile that give another type (``retyping.As.words``)."""
    names, _, rest = where.partition(" in ")
    types = " or ".join(f"`type: {name}`" for name in names.split(" and "))
    if rest.startswith("order "):
        return f"{types} with `order: {rest.removeprefix('order ')}`"
    return f"{types} with an address that is higher by one" if rest else types


_SAID = {
    Kind.ORDER: "{at} of {who}: the bytes come in order {where}, not as profile {profile} reads them",
    Kind.ADDRESS: "the registers of {who} stand {times} ({where}) than profile {profile} says",
    Kind.TYPE: "numbers of {who} that profile {profile} reads as {at} are {where}",
    Kind.SCALE: "{at} of {who}: shown {times}",
    Kind.AMP_RATIO: "currents and powers of {who} are shown {times}: the ratio of its current transformers "
    "is not the one that is set",
    Kind.VOLT_RATIO: "voltages and powers of {who} are shown {times}: the ratio of its voltage "
    "transformers, "
    "or its setting, is wrong",
    Kind.REVERSED: "the current transformer of {times} at {who} {by} turned round",
    Kind.ALL_REVERSED: "all three current transformers of {who} are turned round",
    Kind.BACKWARDS: "power really flows backwards through {who}, out of what is drawn as a load",
    Kind.SIGN: "{at} of {who} have the sign of the other convention: what a load takes is shown as negative",
    Kind.AMPS_SWAPPED: "the currents of phases {where} are exchanged at {who}",
    Kind.VOLTS_SWAPPED: "the voltages of phases {where} are exchanged at {who}",
    Kind.ROLLED: "all three currents of {who} are rolled by one phase against the voltages (inputs A, B, C "
    "get the currents of {where})",
    Kind.ROTATION: "the phases at {who} turn the other way round (A-C-B)",
    Kind.BOTH_SWAPPED: "two phases are exchanged at {who}, in voltages and currents alike",
    Kind.MISSING: "the voltage of phase {where} does not arrive at {who}: a blown fuse or an open terminal "
    "of its voltage input, or a dead phase",
    Kind.CURRENT_MISSING: "the current of phase {where} does not arrive at {who}: a shorting link left in "
    "place, or nothing connected to that phase",
    Kind.MISSET: "the setting for wye or delta of {who} is wrong: voltages {where} are off by the square "
    "root of three",
    Kind.NOMINAL: "the nominal voltage of the map is wrong: {who} shows a sound {where} V system",
    Kind.EXCHANGED: "{who} have changed places: each shows what belongs to the other",
    Kind.ONE_FOR_TWO: "{who} are one and the same unit: both tags show the same counters and the same load",
    Kind.UNEXPLAINED: "no single fault or pair of faults that is known here makes all readings of {who} sane",
}

_CT = (
    "Look at the arrow or the dots (P1, P2; S1, S2) of {what} against the drawing, and at the terminals "
    "of the "
    f"instrument; some instruments can turn the sign in their settings instead. {CT_CAUTION}"
)
_FIXES = {
    Kind.ORDER: "In profile {profile} write `order: {where}`; compare with the device's register list, "
    "then repeat the run.",
    Kind.ADDRESS: "Compare one known register with the device's list. If all devices of the type are so, "
    "correct `addressing:` (zero_based, one_based or reference) in profile {profile}; if only this one, "
    "write `register_shift: {where}` at the device in the map.",
    Kind.TYPE: "In profile {profile} write {by} at the points that are {at} now, with the scale that the "
    "device's register list gives them.",
    Kind.SCALE: "In profile {profile}, {by} (`scale:`) of {at}, or correct their unit; a setting of the "
    "device "
    "for its number format can do the same.",
    Kind.AMP_RATIO: "Compare the transformer's nameplate, the ratio set in {who} and the drawing. If the "
    f"setting is wrong, correct it. {CT_CAUTION}",
    Kind.VOLT_RATIO: "Compare the ratio set in {who} with the nameplate of its voltage transformers, and "
    "with "
    f"the profile. {AT_THE_GEAR}",
    Kind.REVERSED: _CT.replace("{what}", "the transformer of {times}"),
    Kind.ALL_REVERSED: _CT.replace("{what}", "all three transformers"),
    Kind.BACKWARDS: "Find out whether something below can feed back (a generator, solar, a second supply) "
    f"before anybody takes the circuit for dead. {AT_THE_GEAR}",
    Kind.SIGN: "First make sure that power does not really flow backwards. Then put a minus before "
    "`scale:` of {at} in profile {profile}, or turn the convention (load or generator) in the settings "
    "of {who}. "
    f"{AT_THE_GEAR}",
    Kind.AMPS_SWAPPED: "Trace the wires of the current transformers of phases {where} to the instrument's "
    f"current terminals and exchange them. {CT_CAUTION}",
    Kind.VOLTS_SWAPPED: f"Trace the voltage wires of phases {{where}} to the instrument's terminals and "
    f"exchange them. {AT_THE_GEAR}",
    Kind.ROLLED: "Trace every current wire to its phase, and every voltage wire as well: one of the two "
    "sets "
    f"is moved by one terminal. {CT_CAUTION}",
    Kind.ROTATION: f"Measure the rotation at the incoming terminals before any motor is started. "
    f"{AT_THE_GEAR}",
    Kind.BOTH_SWAPPED: "Compare the rotation with another instrument on the bus; then trace both sets of "
    "wires. "
    f"{CT_CAUTION}",
    Kind.MISSING: "Test the fuse and the terminal of voltage input {where} of {who}. Until then do not "
    "take "
    f"phase {{where}} for dead. {AT_THE_GEAR}",
    Kind.CURRENT_MISSING: f"Look at the shorting block of phase {{where}}. {CT_CAUTION}",
    Kind.MISSET: "Correct the setting for the system (wye, four wires; or delta, three wires) in {who}, "
    "or the "
    "points of the profile that name phase and line voltages.",
    Kind.NOMINAL: "Correct `voltage_v` under `system` in the map, after a look at the drawing: a {where} V "
    "system is what is there.",
    Kind.EXCHANGED: "Exchange the addresses of {who} (in the devices, or in the map if the drawing is "
    "wrong), then "
    f"repeat the run for both. {AT_THE_GEAR}",
    Kind.ONE_FOR_TWO: "Compare nameplates, unit numbers and addresses of {who}: one of them was not "
    "reached at all "
    "and is not tested.",
    Kind.UNEXPLAINED: "Start at the values named in the findings: compare them with a portable "
    "instrument, and the "
    f"registers with the device's list. {AT_THE_GEAR}",
}
_POINT_FIXES = {
    Kind.ORDER: "In profile {profile} write `order: {where}` at the point {at}; compare with the "
    "device's register "
    "list, then repeat the run.",
    Kind.SCALE: "In profile {profile}, {by} (`scale:`) of the point {at}, or correct its unit.",
}

_AMPS_SETTLE = (
    "a portable instrument that shows the angle of each current against its voltage, at the same terminals"
)
_SETTLES = {
    Kind.ORDER: "a register whose value is known (a proof point in the profile)",
    Kind.ADDRESS: "a register whose value is known (a proof point in the profile)",
    Kind.TYPE: "the type of one register in the device's list",
    Kind.SCALE: "one value on the device's own display",
    Kind.AMP_RATIO: "the current on a clamp meter beside what the device's own display shows",
    Kind.VOLT_RATIO: "one voltage on the device's own display, and measured at its terminals",
    Kind.REVERSED: _AMPS_SETTLE,
    Kind.ALL_REVERSED: "the direction of power at another instrument of the circuit",
    Kind.BACKWARDS: "the direction of power at another instrument of the circuit",
    Kind.SIGN: "the direction of power at another instrument of the circuit",
    Kind.AMPS_SWAPPED: _AMPS_SETTLE,
    Kind.VOLTS_SWAPPED: _AMPS_SETTLE,
    Kind.ROLLED: _AMPS_SETTLE,
    Kind.ROTATION: "the rotation at the incoming terminals and at another instrument",
    Kind.BOTH_SWAPPED: "the rotation at the incoming terminals and at another instrument",
    Kind.MISSING: "the voltage of that phase at another device of the bus",
    Kind.CURRENT_MISSING: "the current of that phase on a clamp meter",
    Kind.MISSET: "one phase and one line voltage measured at the terminals",
    Kind.NOMINAL: "the voltage that other devices of the bus show",
    Kind.EXCHANGED: "the serial numbers on the nameplates",
    Kind.ONE_FOR_TWO: "the serial numbers on the nameplates",
    Kind.UNEXPLAINED: "the registers of the device beside what its own display shows at the same time",
}
