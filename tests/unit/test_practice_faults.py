"""Every kind of practice fault at every device: it changes something that can be seen, or is refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from probe.collect.device_plan import plan_device
from probe.collect.inputs import open_library
from probe.collect.plan import Read, ethernet_price
from probe.model.errors import InputError
from probe.practice.clockwork import Moment
from probe.practice.fault import Fault, FaultKind, Names
from probe.practice.faults import FAULTS
from probe.practice.part import Stage
from probe.practice.roster import roster
from probe.practice.scenario import small_scenario
from probe.practice.server import Gone, Refusal
from probe.practice.stage import healthy_parts, hosts_of, plant_of, set_stage

LIBRARY = open_library()
TRUTH_S = 1_773_480_413.0
TIMES_S = (0.0, 3.0, 400.0)
#: Looks at the clock: now and then for a minute, or five a second where a fault shows for a moment only.
LOOKS = {False: (70, 0.97), True: (300, 0.2)}


class Clock:
    since_s = 0.0

    def __call__(self) -> Moment:
        return Moment(TRUTH_S + self.since_s, self.since_s)


def stage_of(*faults: Fault) -> Stage:
    scenario = replace(small_scenario([], []), faults=faults)
    return set_stage(scenario, healthy_parts(scenario, LIBRARY.get), TRUTH_S)


@cache
def reads_of(profile: str) -> tuple[Read, ...]:
    known = LIBRARY.get(profile)
    plan = plan_device(known, 0, ethernet_price(known.limits))
    return tuple(step.read for step in (*plan.identity, *plan.proof, *plan.poll, *plan.clock))


def tried(do: Callable[[], Any]) -> Any:
    try:
        return do()
    except Refusal as refusal:
        return "refused", refusal.code
    except Gone:
        return "gone"


def seen(stage: Stage, tag: str, *, closely: bool) -> list[Any]:
    """All that can be seen of a device: manner, registers now and later, its clock, a write to that."""
    clock = Clock()
    hosts = hosts_of(stage, plant_of(stage, "x"), clock)
    part = stage.parts[tag]
    via, profile = part.entry.via, part.profile
    image: Any = (hosts[via].units[part.entry.unit] if via else hosts[tag].own).registers
    found: list[Any] = [part.manner, part.bus, sorted(stage.extra_units), stage.swapped]
    for clock.since_s in TIMES_S:
        for read in reads_of(profile.name):
            function, start, count = read.area.function, read.start, read.quantity
            found.append(tried(lambda: tuple(image.read(function, start, count))))  # noqa: B023  called at once
        found.append(tried(image.identification))
    if profile.clock is None:
        return found
    point = profile.by_name[profile.clock.point]

    def show() -> Any:
        return tried(lambda: tuple(image.read(point.area.function, point.start, point.count)))

    many, pause_s = LOOKS[closely]
    for number in range(many):
        clock.since_s = 500 + number * pause_s
        found.append(show())
    found += written(image, profile.clock.write, clock)
    for clock.since_s in (701, 900):
        found.append(show())
    return found


def written(image: Any, rule: Any, clock: Clock) -> Iterator[Any]:
    """What the device says to a write of its clock."""
    if rule is None:
        return
    clock.since_s = 700
    raw = rule.decoder.encode(TRUTH_S + 10_000)
    words = [int.from_bytes(raw[at : at + 2], "big") for at in range(0, len(raw), 2)]
    spans = [(0, words)] if rule.function == 16 else [(at, [word]) for at, word in enumerate(words)]
    for at, some in spans:
        yield tried(lambda: image.write(rule.function, rule.start + at, some))  # noqa: B023  called at once
    if rule.latch:
        yield tried(lambda: image.write(6, rule.latch.start, [rule.latch.value]))


@cache
def healthy(tag: str, *, closely: bool) -> list[Any]:
    return seen(stage_of(), tag, closely=closely)


def variants(kind: FaultKind, tag: str) -> list[dict[str, Any]]:
    """How the fault can be written at a device, as far as the kind takes more than its name."""
    profile = LIBRARY.get(roster()[tag].profile)
    if "partner" in kind.needs:
        return [{"partner": next(other for other in roster() if other != tag)}]
    if "point" in kind.needs:
        return [{"point": point.name, "number": n} for point in profile.points[:4] for n in (1.0, 2.0)]
    made: list[dict[str, Any]] = [{}]
    if kind.names in (Names.QUANTITY, Names.BLANK) and tag in REPRESENTATIVES:
        made += [{"text": text} for text in sorted({p.quantity for p in profile.points if p.quantity})]
    if kind.names is Names.BUS:
        made += [{"text": "a"}, {"text": "b"}]
    if kind.names in (Names.ALARM, Names.TRIP):
        made += [{"text": alarm.name} for alarm in profile.alarms[:3]]
    if "phase" in kind.takes:
        made += [{"phase": phase} for phase in "abc"]
    return made


#: One device of each type.
REPRESENTATIVES = set({entry.profile: tag for tag, entry in roster().items()}.values())


@pytest.mark.parametrize("name", FAULTS)
def test_it_does_something_or_is_refused(name: str) -> None:
    kind, idle, played = FAULTS[name], [], 0
    closely = name == "clock-torn"
    for tag in REPRESENTATIVES | {kind.at} if closely else roster():
        changed: dict[str, bool] = {}
        for more in variants(kind, tag):
            try:
                stage = stage_of(Fault(kind=name, at=tag, **more))
            except InputError:
                continue
            played += 1
            key = str({**more, "number": 0})  # of two values one may be what it shows anyway
            other = seen(stage, tag, closely=closely) != healthy(tag, closely=closely)
            changed[key] = changed.get(key, False) or other
        idle += [(tag, key) for key, does in changed.items() if not does]
    assert played, "it can be played nowhere"
    assert idle == []


@pytest.mark.parametrize(
    ("kind", "at", "told"),
    [
        ("not-available", "MTR-M2", 'MTR-M2 has no code for "no value" of current'),
        ("stuck-point", "SW-1", "SW-1 has no point heartbeat"),
        ("restart", "MTR-F11", "restart means nothing at MTR-F11"),
        ("clock-invalid", "MTR-M2", "clock-invalid means nothing at MTR-M2"),
    ],
)
def test_where_it_cannot_show_it_is_refused(kind: str, at: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        stage_of(Fault(kind=kind, at=at))
    assert [problem.what for problem in caught.value.problems] == [told]
