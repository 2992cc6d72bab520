"""Roster: which devices share which link, how each is treated and what is asked of it. Pure.

Turns a lineup and a scope into ``Berth``s (one a device) grouped by link, with their plans. Leaves sockets
and waiting to ``host``.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from probe.collect.clock_talk import clock_readings, clock_seconds
from probe.collect.conversation import Course
from probe.collect.device_plan import DevicePlan, PlanBook
from probe.judge.repeat import Asked, repeat_of
from probe.model.device_map import Device, Network, Target
from probe.model.lineup import Lineup
from probe.model.profile import Profile
from probe.model.scope import Scope

#: Units that nobody should answer for are looked for from here downwards (248 to 255 are reserved or mean
#: the server itself). Source: MODBUS over Serial Line V1.02, 2.2; Messaging Guide V1.0b, 4.4.1.2.
_FROM_UNIT = 246
_LONGEST_ABSENT_S = 5.0


class Berth(NamedTuple):
    """One device of the run: where it answers, what is asked, and how."""

    device: Device
    target: Target
    plan: DevicePlan
    course: Course


def berths_by_link(lineup: Lineup, scope: Scope) -> dict[str, list[Berth]]:
    """The devices of the scope by the name of their link; a gateway stands before its units.

    Raises InputError if points of a device cannot be read as map and profile say.
    """
    books = _Books(lineup, scope)
    targets = {device.tag: lineup.map.target(device.tag) for device in lineup.map.devices}
    links = {tag: target.link for tag, target in targets.items()}
    used: dict[str, set[int]] = {}  # all units that the map holds, also outside the scope
    for tag, target in targets.items():
        used.setdefault(links[tag], set()).add(target.unit)
    groups: dict[str, list[str]] = {}
    for tag in scope.tags:
        groups.setdefault(links[tag], []).append(tag)
    courses = _Courses(scope, {})
    berths: dict[str, list[Berth]] = {}
    for link, tags in groups.items():
        tags.sort(key=lambda tag: bool(targets[tag].gateway))
        berths[link] = _berths(lineup, books, courses, [targets[tag] for tag in tags], tags, used[link])
    return berths


def _map_name(lineup: Lineup) -> str:
    return lineup.map_texts[0].name if lineup.map_texts else "map"


def reference_berths(lineup: Lineup, scope: Scope) -> tuple[Berth, ...]:
    """The devices whose clocks are references; none where clocks are not tested.

    They may stand outside the scope: then only their clocks are read.
    """
    tags = [name.place for name in lineup.map.clock.references if name.kind == "tag"]
    berths = [_reference_berth(lineup, tag) for tag in tags if not scope.quick]
    return tuple(berth for berth in berths if berth is not None)


def _reference_berth(lineup: Lineup, tag: str) -> Berth | None:
    device, target = lineup.map.by_tag[tag], lineup.map.target(tag)
    book = PlanBook(file=_map_name(lineup))
    plan = book.plan_for(device, lineup.profile_of(device), target)
    if not plan.clock:
        return None
    return Berth(device, target, plan, Course())


class _Books:
    """Plans of the run. A retest asks of each device only what its checks need."""

    def __init__(self, lineup: Lineup, scope: Scope) -> None:
        self._file, self._scope = _map_name(lineup), scope
        self._books: dict[Asked, PlanBook] = {}
        self.repeat = repeat_of(scope)

    def plan_for(self, device: Device, profile: Profile, target: Target) -> tuple[DevicePlan, bool]:
        """The device's plan, and whether it is polled. Raises InputError as ``PlanBook.plan_for``."""
        scope = self._scope
        asked = Asked(clock=not scope.settings_only, settings=not scope.clocks_only,
                      values=not (scope.clocks_only or scope.settings_only))  # fmt: skip
        if self.repeat is not None:
            wanted = self.repeat.asked(device.tag)
            asked = Asked(
                clock=asked.clock and wanted.clock,
                settings=asked.settings and wanted.settings,
                values=asked.values and (wanted.values or (wanted.clock and wanted.settings)),
            )
        plan = self._book(asked).plan_for(device, profile, target)
        if self.repeat is None:
            return plan, not scope.clocks_only
        polled = asked.values or asked.settings
        if not asked.clock:
            plan = replace(plan, clock=())
        return (plan if polled or asked.clock else replace(plan, poll=(), freshness=())), polled

    def _book(self, asked: Asked) -> PlanBook:
        book = self._books.get(asked)
        if book is None:
            book = self._books[asked] = PlanBook(
                file=self._file,
                quick=self._scope.quick,
                clocks_only=asked.clock and not (asked.settings or asked.values),
                settings_only=asked.settings and not (asked.clock or asked.values),
                identity_only=self._scope.survey is not None,
            )
        return book


class _Courses(NamedTuple):
    """Courses of the run: thousands of devices share a few."""

    scope: Scope
    made: dict[tuple[bool, bool, tuple[int, ...], float, bool], Course]

    def get(
        self, absent: tuple[int, ...], timeout_s: float, *, shared: bool, on_bus: bool, polled: bool
    ) -> Course:
        """The course for a device that asks such absent units, shares its link or not, is polled or not."""
        key = (shared, on_bus, absent, timeout_s, polled)
        course = self.made.get(key)
        if course is None:
            course = self.made[key] = Course(
                quick=self.scope.quick,
                dwell_s=self.scope.dwell_s if polled else 0.0,
                poll_pause_s=self.scope.poll_pause_s,
                shared=shared,
                on_bus=on_bus and polled,
                absent_units=absent,
                absent_timeout_s=timeout_s,
            )
        return course


def _berths(
    lineup: Lineup,
    books: _Books,
    courses: _Courses,
    targets: Sequence[Target],
    tags: Sequence[str],
    used: set[int],
) -> list[Berth]:
    """The devices of one link; the first that can asks the units that nobody should answer for."""
    berths = []
    alone = courses.scope.clocks_only or courses.scope.settings_only or courses.scope.survey is not None
    alone = alone or (books.repeat is not None and not books.repeat.asks_units())
    absent = () if alone else absent_units(used, targets[0])
    for tag, target in zip(tags, targets, strict=True):
        device = lineup.map.by_tag[tag]
        profile = lineup.profile_of(device)
        timeout_s = profile.limits.timeout_s
        if is_bus(target, len(used)):  # longer than a gateway's own time-out, so that it can be measured
            timeout_s = max(timeout_s, min(3 * timeout_s, _LONGEST_ABSENT_S))
        plan, polled = books.plan_for(device, profile, target)
        mine = absent if plan.poll else ()
        course = courses.get(
            mine, timeout_s, shared=len(tags) > 1, on_bus=target.on_bus, polled=polled and bool(plan.poll)
        )
        berths.append(Berth(device, target, plan, course))
        absent = () if mine else absent
    return berths


def is_bus(target: Target, units: int) -> bool:
    """True if other units can sit behind this link: a serial line or a gateway."""
    return target.on_bus or units > 1


def absent_units(taken: set[int], target: Target) -> tuple[int, ...]:
    """Units to ask that the map does not hold: one far off, and behind a gateway the next one too.

    taken: the units that the map holds on this link.
    """
    far = next((unit for unit in range(_FROM_UNIT, 0, -1) if unit not in taken), 0)
    if not is_bus(target, len(taken)):
        return (far,) if far else ()
    following = max((unit for unit in taken if unit <= 247), default=0) + 1
    near = next((unit for unit in (following, *range(1, 248)) if unit <= 247 and unit not in taken), 0)
    wanted = (near,) if target.serial is not None else (near, far)
    return tuple(dict.fromkeys(unit for unit in wanted if unit))


def network_of(host: str, networks: Sequence[Network]) -> Network | None:
    """The network of the map whose subnet holds the host, if its address is given as a number."""
    if not networks:
        return None
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return None
    return next((network for network in networks if address in network.subnet), None)


class Estimate(NamedTuple):
    """What a healthy run should take."""

    requests: int
    seconds: float


def estimate(berths: Mapping[str, list[Berth]], scope: Scope) -> Estimate:
    """Requests of all devices, and the time of the slowest link with what it waits for."""
    known: dict[tuple[int, int], Estimate] = {}  # thousands of devices share a few plans and courses
    requests, seconds = 0, 0.0
    for group in berths.values():
        asking = 0.0
        for berth in group:
            key = (id(berth.plan), id(berth.course))
            one = known.get(key)
            if one is None:
                one = known[key] = _of_device(berth, scope)
            requests += one.requests
            asking += one.seconds
        seconds = max(seconds, asking + _waiting_s(group, scope))
    return Estimate(requests, seconds)


def _of_device(berth: Berth, scope: Scope) -> Estimate:
    """Requests that one healthy device gets, and how long they take."""
    plan = berth.plan
    once = (1 if plan.objects else len(plan.identity)) + len(plan.proof)
    once += clock_readings(plan.profile, scope) if plan.clock else 0
    rounds = 1
    if scope.dwell_s > 0 and not scope.quick and plan.poll:
        pause_s = max(scope.poll_pause_s + _seconds(plan, len(plan.poll)), 0.01)
        rounds += int(scope.dwell_s // pause_s)
    elif not scope.quick:
        once += len(plan.freshness)
    absent = 0 if scope.quick else len(berth.course.absent_units)
    requests = once + rounds * len(plan.poll) + absent
    return Estimate(requests, _seconds(plan, requests))


def _seconds(plan: DevicePlan, requests: int) -> float:
    """Estimated time of so many requests of the plan's mean size."""
    steps = [*plan.poll, *plan.proof, *plan.identity, *plan.clock]
    if not steps:
        return 0.0
    total_ns = sum(plan.price.of(step.read.area, step.read.quantity) for step in steps)
    return requests * total_ns / len(steps) / 1e9


def _waiting_s(group: Sequence[Berth], scope: Scope) -> float:
    """What a link waits for beside its requests: units that keep silent, freshness, dwell."""
    if scope.quick:
        return 0.0
    absent_s = len(group[0].course.absent_units) * group[0].course.absent_timeout_s
    rules = (berth.plan.profile.freshness for berth in group if berth.plan.freshness)
    clocks = (berth.plan.profile for berth in group if berth.plan.clock)
    clocks_s = max((clock_seconds(profile, scope) for profile in clocks), default=0.0)
    fresh_s = max((rule.after_s for rule in rules if rule), default=0.0)
    return max(absent_s, scope.dwell_s, fresh_s, clocks_s)
