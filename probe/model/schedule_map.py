"""A schedule to map text; what the schedule cannot tell stays blank, and the blank lines are named.

The text is then read as every map is, so that a schedule is held to the same rules; problems found there
are told at the schedule's cells, where they have to be mended.
"""

from __future__ import annotations

import bisect
import ipaddress
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from probe.model.device_map import MAP_FORMAT
from probe.model.document import shown
from probe.model.errors import Problem
from probe.model.map_draft import read_draft
from probe.model.map_lint import Surroundings, lint
from probe.model.schedule import DeviceRow, Schedule
from probe.model.shape import BLANK
from probe.model.sheet import Cell

_PLAIN = re.compile(r"[A-Za-z0-9/][A-Za-z0-9 ._/+()&-]*")
_OTHER_TYPE = re.compile(
    r"(?i)[+-]?\d[\d_]*(\.\d*)?(e[+-]?\d+)?|0x[0-9a-f]+|true|false|yes|no|on|off|y|n|null|\d{4}-\d\d?-\d\d?.*"
)

#: Fields of a device, as the map nests them.
_PATHS = {
    "tag": "tag",
    "kind": "kind",
    "profile": "profile",
    "section": "section",
    "cubicle": "cubicle",
    "description": "description",
    "hardware_address": "hardware_address",
    "fed_from": "fed_from",
    "study": "study",
    "host": "address.host",
    "port": "address.port",
    "unit": "address.unit",
    "framing": "address.framing",
    "via": "address.via",
    "maker": "identity.maker",
    "model": "identity.model",
    "serial": "identity.serial",
    "firmware": "identity.firmware",
    "position": "state.position",
    "breaker": "state.breaker",
    "energized": "state.energized",
    "maintenance": "state.maintenance",
    "frame_a": "ratings.frame_a",
    "sensor_a": "ratings.sensor_a",
    "plug_a": "ratings.plug_a",
}
_REQUIRED = ("tag", "kind", "profile", "section")
_OPTIONAL = ("cubicle", "description", "hardware_address", "fed_from", "study")
_GROUPS = {
    "identity": ("maker", "model", "serial", "firmware"),
    "state": ("position", "breaker", "energized", "maintenance"),
}
_RATIOS = {"ct": ("ct_primary_a", "ct_secondary_a"), "vt": ("vt_primary_v", "vt_secondary_v")}


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportedMap:
    """text: the map. problems: at the schedule's cells. blanks: lines of the map to be filled in."""

    text: str
    problems: tuple[Problem, ...]
    blanks: tuple[str, ...]


def make_map(schedule: Schedule, name: str, profile_names: tuple[str, ...]) -> ImportedMap:
    """The map that the schedule describes.

    name: of the map file, for messages about it. profile_names: the profiles that there are; a device
    whose profile is none of them is a warning, to be mended in the map.
    """
    text = "\n".join(_lines(schedule)) + "\n"
    draft, problems = read_draft(name, lambda _: text.encode())
    around = Surroundings(profiles={}, profile_names=profile_names)
    blanks = {i: line.strip() for i, line in enumerate(text.splitlines(), 1) if f'"{BLANK}"' in line}
    rows = {draft.main.spot(("devices", i)).line: row.row for i, row in enumerate(schedule.devices)}
    found = [
        _at_cell(schedule, problem, _rows_for_places(name, rows, problem.found))
        for problem in (*problems, *lint(draft, around))
        if problem.line not in blanks
    ]
    named = tuple(f"{name}:{i}: {line}" for i, line in blanks.items())
    return ImportedMap(text=text, problems=(*schedule.problems, *found), blanks=named)


def _lines(schedule: Schedule) -> Iterator[str]:
    source = f", sheet {shown(schedule.sheet.title)}" if schedule.sheet.title else ""
    yield f"# Device map, made from the schedule {shown(schedule.sheet.file)}{source}."
    yield "# Compare it with the one-line diagram, then run: buswitness map check"
    yield f"format: {MAP_FORMAT}"
    yield f"site: {_fact(schedule, 'site')}"
    yield f"lineup: {_fact(schedule, 'lineup')}"
    yield "system:"
    yield from _system(schedule)
    if "zone" in schedule.facts:
        yield "clock:"
        yield f"  zone: {_quoted(schedule.facts['zone'].text)}"
    yield from _networks(schedule)
    yield "devices:"
    for device in schedule.devices:
        yield from _device(device)


def _fact(schedule: Schedule, fact: str) -> str:
    return _quoted(schedule.facts[fact].text) if fact in schedule.facts else f'"{BLANK}"  # fill in'


def _system(schedule: Schedule) -> Iterator[str]:
    """Voltage, frequency and wiring, from texts such as ``480Y/277 V, 3-phase 4-wire, 60 Hz``."""
    text = " ".join(schedule.facts[key].text for key in ("system", "frequency") if key in schedule.facts)
    volts = re.search(r"(?i)\b(\d{2,4}(?:\.\d+)?)\s*(?:Y\s*/\s*\d+)?\s*(?:V\b|VAC\b|volt|Y\b)", text)
    hertz = re.search(r"(?i)\b(\d{2,3}(?:\.\d+)?)\s*Hz", text)
    yield f"  voltage_v: {volts.group(1)}" if volts else f'  voltage_v: "{BLANK}"  # fill in, line to line'
    yield f"  frequency_hz: {hertz.group(1)}" if hertz else f'  frequency_hz: "{BLANK}"  # fill in'
    if re.search(r"(?i)\dY\s*/|\bwye\b|\bstar\b|\b4\s*-?\s*w(ire)?\b", text):
        yield "  wiring: wye"
    elif re.search(r"(?i)\bdelta\b|\b3\s*-?\s*w(ire)?\b", text):
        yield "  wiring: delta"
    else:
        yield f'  wiring: "{BLANK}"  # fill in: wye, delta or single'


def _networks(schedule: Schedule) -> Iterator[str]:
    """The subnets that the schedule names, above the table or by mask and host in each row."""
    found: dict[str, str] = {}
    subnet = schedule.facts.get("subnet")
    if subnet is not None:
        router = schedule.facts.get("router")
        found[subnet.text] = router.text if router else ""
    for device in schedule.devices:
        own = _subnet(device.text("host"), device.text("mask"))
        if own:
            found[own] = found.get(own) or device.text("router")
    if found:
        yield "networks:"
    for i, (network, address) in enumerate(found.items(), 1):
        suffix = f", router: {_quoted(address)}" if address else ""
        yield f"  - {{name: network {i}, subnet: {_quoted(network)}{suffix}}}"


def _subnet(host: str, mask: str) -> str:
    try:
        return str(ipaddress.ip_network(f"{host}/{mask.lstrip('/')}", strict=False)) if mask else ""
    except ValueError:
        return ""


def _device(device: DeviceRow) -> Iterator[str]:
    for i, name in enumerate(_REQUIRED):
        text = device.text(name)
        value = _quoted(text) if text else f'"{BLANK}"  # fill in'
        yield f"{'    ' if i else '  - '}{name}: {value}"
    yield f"    address: {_address(device)}"
    for name in _OPTIONAL:
        if device.text(name):
            yield f"    {name}: {_quoted(device.text(name))}"
    for group, names in _GROUPS.items():
        pairs = [(name, device.text(name)) for name in names if device.text(name)]
        if pairs:
            yield f"    {group}: {_flow(pairs)}"
    ratings = list(_ratings(device))
    if ratings:
        yield f"    ratings: {_flow(ratings)}"


def _address(device: DeviceRow) -> str:
    """host, or via and unit; a device behind a gateway has no host, port or framing of its own."""
    names = ("via", "unit") if device.text("via") else ("host", "port", "unit", "framing")
    pairs = [(name, device.text(name)) for name in names if device.text(name)]
    if not {"host", "via"} & {name for name, _ in pairs}:
        unit = "".join(f", {name}: {text}" for name, text in pairs)
        return f'{{host: "{BLANK}"{unit}}}  # fill in: host, or via and unit'
    if device.text("via") and not device.text("unit"):
        return f'{{via: {_quoted(device.text("via"))}, unit: "{BLANK}"}}  # fill in the unit'
    return _flow(pairs)


def _ratings(device: DeviceRow) -> Iterator[tuple[str, str]]:
    for name in ("frame_a", "sensor_a", "plug_a"):
        if device.text(name):
            yield name, device.text(name)
    for name, parts in _RATIOS.items():
        if device.text(name):
            yield from zip(parts, device.text(name).split("/"), strict=True)


_NUMBERS = frozenset({"port", "unit", "energized", "maintenance"})


def _flow(pairs: Iterable[tuple[str, str]]) -> str:
    """A group in one line; numbers, yes/no and on/off stay bare."""
    parts = []
    for name, text in pairs:
        bare = name in _NUMBERS or name.endswith(("_a", "_v"))
        parts.append(f"{name}: {text if bare else _quoted(text)}")
    return "{" + ", ".join(parts) + "}"


def _quoted(text: str) -> str:
    """The text as a YAML scalar that every reader takes for this very text."""
    if _PLAIN.fullmatch(text) and not _OTHER_TYPE.fullmatch(text):
        return text
    return "'" + text.replace("'", "''") + "'"


def _at_cell(schedule: Schedule, problem: Problem, found: str) -> Problem:
    """The problem at the cell of the schedule that it comes from, as far as there is one.

    found: as the problem says it, with rows of the schedule for places in the map.
    """
    match = re.match(r"devices\[(\d+)\](?:\.(.+))?", problem.field)
    severity = "warning" if problem.what.startswith("there is no profile") else problem.severity
    if match is None:
        return _at_fact(schedule, problem, severity)
    row = schedule.devices[int(match.group(1))]
    name = next((known for known, path in _PATHS.items() if path == match.group(2)), "")
    if name in row.values:
        cell = row.values[name].cell
    else:
        cell = next(iter(row.values.values())).cell
        name = next(iter(row.values))
    return schedule.sheet.problem(
        cell,
        problem.what,
        heading=schedule.heading(name),
        found=found,
        allowed=problem.allowed,
        remedy=problem.remedy,
        severity=severity,
    )


def _at_fact(schedule: Schedule, problem: Problem, severity: str) -> Problem:
    """A problem of the lineup as a whole: at the title cell, or at the schedule."""
    name = problem.field.rpartition(".")[2]
    known = {"voltage_v": "system", "frequency_hz": "system", "wiring": "system"}.get(name, name)
    value = schedule.facts.get(known)
    cell = value.cell if value else Cell("", schedule.heading_row, 1)
    return schedule.sheet.problem(
        cell,
        problem.what,
        found=problem.found,
        allowed=problem.allowed,
        remedy=problem.remedy,
        severity=severity,
    )


def _rows_for_places(name: str, rows: dict[int, int], text: str) -> str:
    """``map.yaml:12:9`` in a text to the schedule's row; rows: first line of a device to its row, rising."""
    starts = list(rows)

    def to_row(match: re.Match[str]) -> str:
        at = bisect.bisect_right(starts, int(match.group(1))) - 1
        return f"row {rows[starts[at]]}" if at >= 0 else match.group()

    return re.sub(rf"{re.escape(name)}:(\d+):\d+", to_row, text) if name in text else text
