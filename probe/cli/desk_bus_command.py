"""The command ``desk bus``: from what was typed, or from the lines and profiles of a map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from probe.cli import desk_amount as given
from probe.cli.desk_commands import show
from probe.desk import bus as buses
from probe.model.lineup import Lineup
from probe.model.nearest import did_you_mean

MOST_UNITS = 247
#: Source: MODBUS over Serial Line V1.02, 3.2 (default).
STANDARD_BAUD = 19_200


@dataclass(frozen=True, slots=True, kw_only=True)
class BusWanted:
    """What was typed for ``desk bus``; empty texts were left out, 0 stands for left out in counts."""

    baud: int
    bits: int
    devices: int
    blocks: int
    registers: int
    response: str
    gap: str
    dead: int
    timeout: str
    retries: int
    wanted: str
    length: str
    cable: str
    polarised: bool
    four_wire: bool
    map_file: Path | None
    line: str
    profile_dirs: Sequence[Path] = ()


def bus(wanted: BusWanted, *, as_json: bool) -> int:
    """Show one round of a serial segment. Raises InputError for what cannot be read."""
    if wanted.baud:
        _whole("--baud", wanted.baud, 300, 1_000_000)
    baud, devices = _typed(wanted) if wanted.map_file is None else _from_map(wanted, wanted.map_file)
    _whole("--dead", wanted.dead, 0, len(devices))
    _whole("--retries", wanted.retries, 0, 100)
    if wanted.bits not in (10, 11):
        raise given.problem(
            "--bits", "a character has other bits", str(wanted.bits), "11 by the standard, or 10"
        )
    scan = buses.Round(
        devices=devices,
        response_s=given.amount("--response", wanted.response, given.SECONDS),
        gap_s=given.value("--gap", wanted.gap, given.SECONDS),
        dead=wanted.dead,
        timeout_s=given.value("--timeout", wanted.timeout, given.SECONDS, above=True),
        retries=wanted.retries,
    )
    reach = buses.Reach(
        length_m=given.amount("--length", wanted.length, given.LENGTH, above=True) if wanted.length else None,
        cable=given.choice("--cable", wanted.cable, buses.CABLES),
        polarised=wanted.polarised,
        four_wire=wanted.four_wire,
    )
    wanted_s = given.value("--wanted", wanted.wanted, given.SECONDS, above=True) if wanted.wanted else None
    working = buses.cycle(buses.Line(baud=baud, bits=wanted.bits), scan, wanted_s=wanted_s, reach=reach)
    return show(working, as_json=as_json)


def _whole(option: str, number: int, low: int, high: int) -> int:
    if not low <= number <= high:
        raise given.problem(option, "this number is out of range", str(number), f"{low} to {high}")
    return number


def _typed(wanted: BusWanted) -> tuple[int, tuple[tuple[int, ...], ...]]:
    """Baud, and the reply bytes of each device."""
    devices = _whole("--devices", wanted.devices, 1, MOST_UNITS)
    blocks = _whole("--blocks", wanted.blocks, 1, 1000)
    registers = _whole("--registers", wanted.registers, 1, 125)
    return wanted.baud or STANDARD_BAUD, ((buses.reply_bytes(registers),) * blocks,) * devices


def _from_map(wanted: BusWanted, file: Path) -> tuple[int, tuple[tuple[int, ...], ...]]:
    """The same from a map: the poll that an audit plans for each device of one serial line."""
    from probe.collect.device_plan import ASSUMED_BAUD, PlanBook
    from probe.collect.inputs import open_lineup

    lineup, _ = open_lineup(file, wanted.profile_dirs)
    tags = _tags_of(_lines(lineup), wanted.line, file)
    book, devices = PlanBook(file=str(file)), []
    for tag in tags:
        device = lineup.map.by_tag[tag]
        plan = book.plan_for(device, lineup.profile_of(device), lineup.map.target(tag))
        devices.append(
            tuple(_reply(step.read.quantity, is_bits=step.read.area.is_bits) for step in plan.poll)
        )
    serial = lineup.map.target(tags[0]).serial
    return wanted.baud or (serial.baud if serial is not None else ASSUMED_BAUD), tuple(devices)


def _reply(quantity: int, *, is_bits: bool) -> int:
    """Bytes of a reply: registers, or bits packed into bytes."""
    return buses.REPLY_FRAME_BYTES + (quantity + 7) // 8 if is_bits else buses.reply_bytes(quantity)


def _lines(lineup: Lineup) -> dict[str, list[str]]:
    """Tags on each serial line, by its port or by the tag of its gateway."""
    lines: dict[str, list[str]] = {}
    for device in lineup.map.devices:
        target = lineup.map.target(device.tag)
        if target.gateway:
            lines.setdefault(target.gateway, []).append(device.tag)
        elif target.serial is not None:
            lines.setdefault(target.serial.port, []).append(device.tag)
    return lines


def _tags_of(lines: dict[str, list[str]], name: str, file: Path) -> list[str]:
    if not lines:
        raise given.problem(
            str(file), "no device of this map is on a serial line", "", "a map with serial or via"
        )
    if not name and len(lines) == 1:
        return next(iter(lines.values()))
    if name not in lines:
        what = "this line is not in the map" if name else "which of its serial lines?"
        raise given.problem(
            "--line", what, name, ", ".join(lines), did_you_mean(name, tuple(lines)) if name else ""
        )
    return lines[name]
