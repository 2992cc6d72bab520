"""The device map of a practice lineup, as text: what the drawings say, with the ports of this run.

The map tells how the lineup should be; faults are not in it. It is written, not dumped, so that a reader
can learn from it what a map looks like.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from probe.practice.cabling import cabling_text
from probe.practice.part import Part
from probe.practice.protection import FAULT_CURRENT_KA, STUDY_NAME
from probe.practice.roster import FREQUENCY_HZ, LINEUP, SITE, VOLTAGE_V, ZONE

#: Tag to (host, port) of each device that has an address of its own.
Places = Mapping[str, tuple[str, int]]

_HEAD = """\
# Device map of the practice lineup. Everything in it is invented; nothing real answers here.
format: buswitness-map/1
site: {site}
lineup: {lineup}
system: {{voltage_v: {voltage:g}, frequency_hz: {frequency:g}, wiring: wye, fault_current_ka: {fault:g}}}
{study}clock: {{reference: "{reference}", tolerance_s: 2, zone: {zone}}}
tolerances: {{voltage_percent: 10, frequency_hz: 1, reply_ms: 500, loss_percent: 1}}
{cabling}devices:
"""


def map_text(parts: Sequence[Part], places: Places) -> str:
    """The map of these devices as drawn. parts: as the drawing has them (before any fault)."""
    tags = {part.entry.tag for part in parts}
    text = _HEAD.format(
        site=SITE,
        lineup=LINEUP,
        voltage=VOLTAGE_V,
        frequency=FREQUENCY_HZ,
        reference="tag:MC-1" if "MC-1" in tags else "laptop",
        zone=ZONE,
        fault=FAULT_CURRENT_KA,
        cabling=cabling_text(tags),
        study=f"study: {STUDY_NAME}\n" if any(part.entry.breaker for part in parts) else "",
    )
    return text + "".join(_device(part, places, tags) for part in parts)


def _device(part: Part, places: Places, tags: set[str]) -> str:
    entry = part.entry
    lines = [
        f"  - tag: {entry.tag}",
        f"    kind: {entry.kind.value}",
        f"    profile: {entry.profile}",
        f'    section: "{entry.section}"',
        f"    cubicle: {entry.cubicle}",
        f"    description: {entry.description}",
        f"    address: {_address(part, places)}",
        *_flow("identity", {name: f'"{text}"' for name, text in expected_identity(part).items()}),
        *_flow("state", expected_state(part)),
        *_flow("ratings", _ratings(part)),
    ]
    if entry.fed_from in tags:
        lines.append(f"    fed_from: {entry.fed_from}")
    return "\n".join(lines) + "\n"


def _address(part: Part, places: Places) -> str:
    entry = part.entry
    if entry.via:
        return f"{{via: {entry.via}, unit: {entry.unit}}}"
    host, port = places[entry.tag]
    return f'{{host: "{host}", port: {port}, unit: {entry.unit}}}'


def _flow(name: str, fields: Mapping[str, object]) -> list[str]:
    """A field with a group of fields on one line; nothing for an empty group."""
    inside = ", ".join(f"{key}: {value}" for key, value in fields.items())
    return [f"    {name}: {{{inside}}}"] if inside else []


def expected_identity(part: Part) -> dict[str, str]:
    """What the drawing says of the device's identity, as far as its profile can read it."""
    rule = part.profile.identity
    readable = {*rule.objects, *rule.points}
    told = {name: text for name, text in part.identity.items() if name in readable}
    if "firmware" in told:
        told["firmware"] = _from_minor_on(told["firmware"])
    return told


def _from_minor_on(version: str) -> str:
    """The range that people write: this minor version or newer, of the same major one."""
    major, minor, *_ = (*version.split("."), "0")
    return f">={major}.{minor}, <{int(major) + 1}"


def expected_state(part: Part) -> dict[str, str]:
    """How the gear should stand, as far as its profile tells it."""
    told = {rule.state for rule in part.profile.states}
    wanted = {"position": part.position, "breaker": part.breaker, "maintenance": f'"{part.maintenance}"'}
    state = {name: text for name, text in wanted.items() if name in told and part.breaker}
    if part.profile.energized_points:
        state["energized"] = "true"
    return state


def _ratings(part: Part) -> dict[str, int]:
    entry = part.entry
    if entry.breaker:
        return {"frame_a": entry.frame_a, "sensor_a": entry.sensor_a, "plug_a": entry.sensor_a}
    return {"ct_primary_a": entry.sensor_a} if entry.circuit else {}
