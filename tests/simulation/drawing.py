"""A case drawn from a seed: a lineup on its places, the moods of its gear, and what befalls our computer."""

from __future__ import annotations

import hashlib
import ipaddress
import json
import random
import re
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

from probe.collect.inputs import open_library
from probe.model.device_map import Kind
from probe.model.lineup import Lineup, SourceText
from probe.model.map_load import load_lineup
from probe.model.profile_load import ProfileLibrary
from probe.model.scope import Scope
from probe.practice.drawing import expected_identity, expected_state
from probe.practice.part import Part, Stage
from probe.practice.roster import FREQUENCY_HZ, LINEUP, SITE, VOLTAGE_V, ZONE, roster
from probe.practice.scenario import Scenario
from probe.practice.stage import healthy_parts, zone_offset_s
from tests.simulation.gear import Mood

#: Seconds since 1970 around which runs are placed: 2026, over changes to and from summer time.
_EPOCH_S = 1_767_225_600
_LINE = "/dev/ttyUSB{}"


@dataclass(slots=True, kw_only=True)
class Seat:
    """One place: host and port (or a serial port), and the tags that answer there by unit."""

    place: tuple[str, int]
    host: str = ""
    rtu: bool = False
    serial: bool = False
    bus: bool = False
    baud: int = 19_200
    units: dict[int, str] = field(default_factory=dict)
    dead: frozenset[int] = frozenset()
    mood: Mood = field(default_factory=Mood)


@dataclass(slots=True, kw_only=True)
class Case:
    """All that a run needs. Times in seconds of the run, -1 for never. temper: of the gear and the lines.

    ledger: "" (sound), "full" (the disk fills up; the reserve helps) or "dead" (nothing can be written any
    more), from so many bytes on. observer_fails_at: number of the exchange at which an observer raises.
    """

    seed: int
    temper: str
    lineup: Lineup
    scope: Scope
    stage: Stage
    seats: list[Seat]
    names: dict[str, str]
    truth_s: float
    wall_error_s: float
    turn_s: float
    stop_s: float = -1.0
    cancel_s: float = -1.0
    stalls: tuple[tuple[float, float], ...] = ()
    steps: tuple[tuple[float, float], ...] = ()
    ledger: str = ""
    ledger_bytes: int = 0
    observer_fails_at: int = -1
    ntp: str = "good"

    @property
    def disturbed(self) -> bool:
        """True if the run may rightly end early."""
        return self.stop_s >= 0 or self.cancel_s >= 0 or bool(self.ledger)


def draw(seed: int) -> Case:
    """The case of a seed: the same on every computer and in every process."""
    dice = random.Random(f"simulation {seed}")
    temper = dice.choices(("healthy", "one", "mild", "wild"), (15, 30, 30, 25))[0]
    library = _libraries()[dice.randrange(len(_libraries()))]
    tags = _tags(dice)
    scenario = Scenario(name="simulated", title="simulated", seed=str(seed), devices=tags, faults=())
    parts = healthy_parts(scenario, library.get)
    truth_s = _EPOCH_S + dice.uniform(0, 364 * 86_400)
    stage = Stage(parts=parts, zone_s=zone_offset_s(truth_s))
    seats, names = _seats(dice, parts)
    lineup = _lineup(dice, parts, seats, library)
    if temper != "healthy":
        _upset_parts(dice, parts)
    _give_moods(dice, temper, seats, lineup)
    if temper != "healthy":
        _give_noise(random.Random(f"noise {seed}"), seats, lineup)
    case = Case(
        seed=seed,
        temper=temper,
        lineup=lineup,
        scope=_scope(dice, tags),
        stage=stage,
        seats=seats,
        names=names,
        truth_s=truth_s,
        wall_error_s=dice.choice((0.0, 0.0, 0.02, -3.0, 400.0)),
        turn_s=dice.choice((0.0, 0.000_02, 0.000_2)),
        ntp=dice.choice(("good", "good", "silent", "false")),
    )
    _upset_computer(dice, case)
    return case


@cache
def _libraries() -> tuple[ProfileLibrary, ...]:
    return tuple(ProfileLibrary.of(texts) for texts in profile_texts())


@cache
def profile_texts() -> tuple[tuple[SourceText, ...], ...]:
    """The bundled profiles that are drawn from, and the same with other limits, five times."""
    names = sorted({one.profile for one in roster().values()})
    bundled = open_library().texts_for(names)
    others = (random.Random(f"limits {number}") for number in range(5))
    return (bundled, *(tuple(_other_limits(text, dice) for text in bundled) for dice in others))


def _other_limits(text: SourceText, dice: random.Random) -> SourceText:
    timeout_s = dice.choice((0.15, 0.4, 1.0))
    limits = {
        "registers": dice.choice((16, 50, 125)),
        "timeout_s": timeout_s,
        "first_timeout_s": timeout_s * dice.choice((1, 2)),
        "retries": dice.randrange(4),
        "gap_s": dice.choice((0.0, 0.0, 0.01, 0.1)),
        "connect_pause_s": dice.choice((0.0, 0.0, 0.2)),
        "hold_open": dice.choice(("true", "true", "false")),
        "sockets": 1,
    }
    line = "limits: {" + ", ".join(f"{name}: {value}" for name, value in limits.items()) + "}"
    changed = re.sub(r"^limits: \{.*\}$", line, text.text, flags=re.MULTILINE)
    return replace(text, text=changed, sha256=hashlib.sha256(changed.encode()).hexdigest())


def _tags(dice: random.Random) -> tuple[str, ...]:
    """One to twelve devices of the drawing, in its order."""
    chosen = set(dice.sample(list(roster()), dice.choice((1, 2, 3, 4, 5, 6, 8, 12))))
    return tuple(tag for tag in roster() if tag in chosen)


# places ------------------------------------------------------------------------------------------------


def _seats(dice: random.Random, parts: dict[str, Part]) -> tuple[list[Seat], dict[str, str]]:
    """Everybody at a place: gateways first, the others behind them, on serial lines or alone."""
    seats: list[Seat] = []
    names: dict[str, str] = {}
    gateways: list[Seat] = []
    lines: list[Seat] = []
    for number, (tag, part) in enumerate(parts.items()):
        if part.entry.kind is Kind.GATEWAY:
            gateways.append(_alone(dice, tag, number, names, bus=True))
    for number, (tag, part) in enumerate(parts.items()):
        if part.entry.kind is Kind.GATEWAY:
            continue
        where = dice.random()
        if gateways and where < 0.5:
            _join(dice.choice(gateways), tag, number)
        elif where < 0.62:
            line = dice.choice(lines) if lines and dice.random() < 0.7 else _line(dice, lines)
            _join(line, tag, number)
        else:
            seats.append(_alone(dice, tag, number, names, bus=False))
    return [*gateways, *seats, *lines], names


def _alone(dice: random.Random, tag: str, number: int, names: dict[str, str], *, bus: bool) -> Seat:
    address = f"10.20.{1 + number % 2}.{10 + number}"
    host = address
    if dice.random() < 0.08:
        host = f"gear-{number}.example"
        if dice.random() < 0.8:
            names[host] = address
    rtu = dice.random() < 0.25
    seat = Seat(place=(address, 502), host=host, rtu=rtu, bus=bus)
    seat.units[1 + number if rtu else 255] = tag
    return seat


def _line(dice: random.Random, lines: list[Seat]) -> Seat:
    port, baud = _LINE.format(len(lines)), dice.choice((9_600, 19_200, 38_400))
    lines.append(Seat(place=(port, 0), rtu=True, serial=True, bus=True, baud=baud))
    return lines[-1]


def _join(seat: Seat, tag: str, number: int) -> None:
    seat.units[100 + number] = tag


def _lineup(
    dice: random.Random, parts: dict[str, Part], seats: list[Seat], library: ProfileLibrary
) -> Lineup:
    at = {tag: (seat, unit) for seat in seats for unit, tag in seat.units.items()}
    head: dict[str, Any] = {
        "format": "buswitness-map/1",
        "site": SITE,
        "lineup": LINEUP,
        "system": {"voltage_v": VOLTAGE_V, "frequency_hz": FREQUENCY_HZ, "wiring": "wye"},
        "clock": {"reference": _reference(dice, parts), "tolerance_s": 2, "zone": ZONE},
        "networks": _networks(dice),
        "devices": [_device(tag, part, parts, *at[tag]) for tag, part in parts.items()],
    }
    data = json.dumps(head).encode()
    lineup, _ = load_lineup("map.yaml", lambda _: data, library)
    return lineup


def _reference(dice: random.Random, parts: dict[str, Part]) -> str | list[str]:
    given = ["laptop", "ntp:10.20.1.250"] + (["tag:MC-1"] * 2 if "MC-1" in parts else [])
    first = dice.choice(given)
    second = dice.choice(given)
    return [first, second] if first != second and dice.random() < 0.3 else first


def _networks(dice: random.Random) -> list[dict[str, Any]]:
    nets: list[dict[str, Any]] = [{"name": f"NET-{n}", "subnet": f"10.20.{n}.0/24"} for n in (1, 2)]
    for net in nets:
        if dice.random() < 0.25:
            net["requests_per_second"] = dice.choice((5, 20, 100))
    return nets


def _device(tag: str, part: Part, parts: dict[str, Part], seat: Seat, unit: int) -> dict[str, Any]:
    entry = part.entry
    made: dict[str, Any] = {
        "tag": tag,
        "kind": entry.kind.value,
        "profile": entry.profile,
        "section": entry.section,
        "address": _address(seat, unit, tag),
        "identity": expected_identity(part),
    }
    state = {name: json.loads(text) if text in ("true", "false") else text.strip('"')
             for name, text in expected_state(part).items()}  # fmt: skip
    if state:
        made["state"] = state
    if entry.fed_from in parts:
        made["fed_from"] = entry.fed_from
    return made


def _address(seat: Seat, unit: int, tag: str) -> dict[str, Any]:
    if seat.serial:
        return {"serial": {"port": seat.place[0], "baud": seat.baud}, "unit": unit}
    first = next(iter(seat.units.values()))
    if tag != first:
        return {"via": first, "unit": unit}
    address: dict[str, Any] = {"host": seat.host, "unit": unit}
    return address | ({"framing": "rtu"} if seat.rtu else {})


# what goes wrong ---------------------------------------------------------------------------------------


def _upset_parts(dice: random.Random, parts: dict[str, Part]) -> None:
    """Some devices show other things than they should."""
    for part in parts.values():
        if dice.random() > 0.3:
            continue
        kind = dice.randrange(8)
        if kind == 0:
            part.set_clock(offset_s=dice.uniform(-10, 10))
        elif kind == 1:
            part.set_clock(stopped=True)
        elif kind == 2:
            part.frozen = True
        elif kind == 3:
            part.shift = dice.choice((-1, 1))
        elif kind == 4:
            part.flipped = True
        elif kind == 5:
            part.identity["serial"] = "XX99-00001"
        elif kind == 6:
            part.restarts_after = dice.randrange(1, 4)
        else:
            part.set_clock(drift_ppm=dice.uniform(-500, 500))


def _give_moods(dice: random.Random, temper: str, seats: list[Seat], lineup: Lineup) -> None:
    faulty = [dice.choice(seats)] if temper == "one" else seats
    for seat in seats:
        timeout_s = _timeout_s(seat, lineup)
        rough = temper != "healthy" and any(seat is one for one in faulty)
        strength = 1.0 if temper in ("one", "wild") else 0.25
        seat.mood = _mood(dice, seat, timeout_s, strength if rough else 0.0)
        if rough and seat.bus and dice.random() < 0.3:
            seat.dead = frozenset(unit for unit in seat.units if dice.random() < 0.4)


def _mood(dice: random.Random, seat: Seat, timeout_s: float, strength: float) -> Mood:
    travel_s = dice.choice((0.000_2, 0.001, 0.02))
    think_s = min(dice.choice((0.001, 0.005, 0.03)), timeout_s / 10)
    if seat.bus:
        think_s = min(think_s + 0.02, timeout_s / 6)
    calm = Mood(travel_s=travel_s, think_s=think_s, gateway_s=timeout_s * dice.choice((0.3, 0.8, 1.6)))
    if not strength:
        return calm
    late_s = _latest_s(calm, timeout_s) if seat.rtu else timeout_s * dice.choice((0.9, 3.0))
    faults: dict[str, Any] = {}
    kinds = ("lost", "late", "twice", "exception", "closes", "resets", "cuts", "twists", "strays")
    for kind in dice.sample(kinds, dice.randrange(1, 4)):
        faults[kind] = strength * dice.choice((0.02, 0.1, 0.4))
    if seat.serial:
        faults.pop("resets", None)
        faults.pop("closes", None)
    if dice.random() < 0.1 and not seat.serial:
        faults["closes_each"] = True
    if dice.random() < 0.1 and not seat.serial:
        faults["stuffs"] = 0.02
    if dice.random() < 0.15 and not seat.serial:
        faults["idle_s"] = dice.choice((0.5, 2.0, 10.0))
    jitter_s = dice.choice((0.0, 0.0, 0.01))
    windows = _windows(dice, seat)
    return replace(calm, jitter_s=jitter_s, late_s=max(0.0, late_s), windows=windows, **faults)


def _latest_s(mood: Mood, timeout_s: float) -> float:
    """An RTU answer later than twice the time-out cannot be told from the next one; see ``gear``."""
    return timeout_s * 1.8 - 2 * mood.travel_s - 4 * mood.think_s


def _give_noise(dice: random.Random, seats: list[Seat], lineup: Lineup) -> None:
    """On some lines that carry RTU, noise comes in the place of answers, and the answers later."""
    for seat in seats:
        if seat.rtu and dice.random() < 0.4:
            late_s = max(0.0, _latest_s(seat.mood, _timeout_s(seat, lineup)))
            seat.mood = replace(seat.mood, noise=dice.choice((0.1, 0.4)), late_s=late_s)


def _timeout_s(seat: Seat, lineup: Lineup) -> float:
    tags = seat.units.values()
    return min(lineup.profiles[lineup.map.by_tag[tag].profile].limits.timeout_s for tag in tags)


def _windows(dice: random.Random, seat: Seat) -> tuple[tuple[float, float, str], ...]:
    """Times in which the place cannot be reached as it should."""
    kinds = ("silent", "refused", "no route", "reset", "closed at once")
    if seat.serial:
        kinds = ("silent", "no port", "not permitted")
    made, at_s = [], 0.0
    while dice.random() < 0.35:
        at_s += dice.choice((0.0, dice.uniform(0, 5)))
        end_s = at_s + dice.choice((0.5, 3.0, 20.0, 1e6))
        made.append((at_s, end_s, dice.choice(kinds)))
        at_s = end_s
    return tuple(made)


def _scope(dice: random.Random, tags: tuple[str, ...]) -> Scope:
    left_out = tuple(tag for tag in tags if dice.random() < 0.1) if dice.random() < 0.2 else ()
    left_out = () if len(left_out) == len(tags) else left_out
    kept = tuple(tag for tag in tags if tag not in left_out)
    kind = dice.choices(("quick", "full", "dwell", "clocks", "fine", "settings"), (45, 25, 8, 8, 6, 8))[0]
    more: dict[str, Any] = {
        "quick": {"quick": True},
        "full": {},
        "dwell": {"dwell_s": dice.choice((5.0, 20.0)), "poll_pause_s": dice.choice((0.5, 2.0))},
        "clocks": {"clocks_only": True},
        "fine": {"fine": True},
        "settings": {"settings_only": True},
    }[kind]
    return Scope(tags=kept, left_out=left_out, **more)


def _upset_computer(dice: random.Random, case: Case) -> None:
    """Stalls, a stepped clock, an interrupt, a disk that fills up, an observer with a defect."""
    span_s = dice.choice((0.05, 1.0, 6.0, 30.0))
    if dice.random() < 0.2:
        case.stop_s = dice.uniform(0, span_s)
    elif dice.random() < 0.06:
        case.cancel_s = dice.uniform(0, span_s)
    if dice.random() < 0.2:
        lengths = (0.06, 0.3, 2.0, 30.0)
        case.stalls = tuple(
            (dice.uniform(0, span_s), dice.choice(lengths)) for _ in range(dice.randrange(1, 5))
        )
    if dice.random() < 0.15:
        case.steps = tuple(
            (dice.uniform(0, span_s), dice.choice((-3600.0, -1.5, 0.2, 7.0)))
            for _ in range(dice.randrange(1, 3))
        )
    if dice.random() < 0.1:
        case.ledger = dice.choice(("full", "dead"))
        case.ledger_bytes = dice.randrange(1_000, 60_000)
    if dice.random() < 0.05:
        case.observer_fails_at = dice.randrange(60)


def in_network(host: str, subnet: str) -> bool:
    """True if the address lies in the subnet."""
    try:
        return ipaddress.ip_address(host) in ipaddress.ip_network(subnet)
    except ValueError:
        return False
