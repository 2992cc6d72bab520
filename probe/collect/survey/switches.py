"""Switches and supplies by SNMP: asked once for everything, and after a dwell once more for what counts.

Each is asked on its own engine, a few at a time, one request in flight an agent. What the second reading is
for: counters mean nothing as totals, only as rates. An agent that stays silent is left alone.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from probe.collect.journal import Journal
from probe.collect.survey.snmp_secret import Keyring, NoSecretError, credentials
from probe.judge.network.switch_view import SwitchView
from probe.judge.wording import count, listed, span
from probe.model.clock import RunClock
from probe.model.device_map import Device, DeviceMap, Kind
from probe.model.evidence import Evidence
from probe.model.map_network import SnmpAccess
from probe.model.network_evidence import ForwardingEntry
from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome, SnmpRequest
from probe.model.snmp_objects import GROUPS, Group, Object
from probe.wire.snmp import Agent, Manner, SnmpSession

DWELL_S = 15.0
AT_ONCE = 8

Keep = Callable[[Evidence], object]


class Asked(NamedTuple):
    """One device that is asked by SNMP, and how."""

    device: Device
    access: SnmpAccess

    @property
    def agent(self) -> Agent:
        """Where its agent answers."""
        host = self.access.host or self.device.address.host or ""
        return Agent(host, self.access.port, self.device.tag)


def asked_by_snmp(lineup: DeviceMap, tags: Iterable[str]) -> tuple[Asked, ...]:
    """The switches and supplies among the tags whose map entry says how to ask them."""
    wanted = set(tags)
    return tuple(
        Asked(device, device.snmp)
        for device in lineup.devices
        if device.tag in wanted and device.snmp is not None and device.kind in (Kind.SWITCH, Kind.UPS)
    )


class Means(NamedTuple):
    """What the asking needs beside the map. environment, keyring: of secrets; None: ours."""

    clock: RunClock
    keep: Keep
    stop: asyncio.Event
    dwell_s: float = DWELL_S
    manner: Manner = Manner()
    environment: Mapping[str, str] | None = None
    keyring: Keyring | None = None


async def ask_switches(asked: Sequence[Asked], means: Means) -> None:
    """Ask all of them twice, keep every answer, and the forwarding tables line by line.

    Ends early, in good order, when ``means.stop`` is set. Raises only what ``means.keep`` raises.
    """
    few = asyncio.Semaphore(AT_ONCE)

    async def one(who: Asked) -> None:
        async with few:
            await _ask(who, means)

    tasks = [asyncio.ensure_future(one(who)) for who in asked]
    try:
        await asyncio.gather(*tasks)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _ask(who: Asked, means: Means) -> None:
    try:
        secrets = credentials(who.access, means.environment, means.keyring)
    except NoSecretError as error:
        means.keep(_not_asked(who, means.clock, str(error)))
        return
    answers: list[tuple[int, SnmpAnswer]] = []

    def keep(answer: SnmpAnswer) -> None:
        means.keep(answer)
        answers.append((0, answer))

    session = SnmpSession(who.agent, secrets, means.clock, keep, means.manner)
    try:
        await _first(who, session, means)
        view = SwitchView(who.device.tag, answers)
        for entry in forwarding(view, means.clock.now_ns()):
            means.keep(entry)
        if view.answers_at_all and await _pause(means):
            await _second(who, session, view, means)
    finally:
        await session.close()


async def _first(who: Asked, session: SnmpSession, means: Means) -> None:
    """Everything that this sort of device may have."""
    for group in _groups(who):
        if group.scalars:
            await session.get(group.name, _scalars(group.scalars))
        for number, column in enumerate(group.columns):
            if session.is_silent or means.stop.is_set():
                return
            rows = await session.column(column.name, column.oid)
            if number == 0 and not rows:
                break  # the agent has no such table


async def _second(who: Asked, session: SnmpSession, view: SwitchView, means: Means) -> None:
    """Once more what counts, of what there was."""
    for group in _groups(who):
        scalars = [one for one in group.scalars if one.name in group.twice]
        if any(view.scalar(one.name) for one in scalars):
            await session.get(group.name, _scalars(scalars), 1)
        for column in group.columns:
            if means.stop.is_set():
                return
            if column.name in group.twice and view.column(column.name):
                await session.column(column.name, column.oid, 1)


def _groups(who: Asked) -> Iterator[Group]:
    is_ups = who.device.kind is Kind.UPS
    return (group for group in GROUPS if group.name == "system" or group.for_ups is is_ups)


def _scalars(objects: Iterable[Object]) -> list[tuple[int, ...]]:
    return [(*one.oid, 0) for one in objects]


async def _pause(means: Means) -> bool:
    """Wait for the dwell; False if the run was stopped meanwhile."""
    try:
        async with asyncio.timeout(means.dwell_s):
            await means.stop.wait()
    except TimeoutError:
        return True
    return False


def _not_asked(who: Asked, clock: RunClock, why: str) -> SnmpAnswer:
    now_ns = clock.now_ns()
    return SnmpAnswer(
        host=who.agent.name,
        tag=who.device.tag,
        object="system",
        round=0,
        attempt=1,
        request=SnmpRequest.GET,
        asked="",
        sent_ns=now_ns,
        received_ns=now_ns,
        outcome=SnmpOutcome.NO_SECRET,
        detail=why,
        bindings=b"",
    )


# --- forwarding table --------------------------------------------------------------------------------------


def forwarding(view: SwitchView, at_ns: int) -> Iterator[ForwardingEntry]:
    """The switch's forwarding table, with its ports by the names that the switch gives them.

    By VLAN where the switch has it so (Q-BRIDGE-MIB), else as a whole (BRIDGE-MIB). Addresses that it has
    not learned on a port (port 0) are left out.
    """
    own = {seen.value for seen in view.column("ifPhysAddress").values()}
    by_vlan = view.numbers("dot1qTpFdbPort")
    for index, port in (by_vlan or view.numbers("dot1dTpFdbPort")).items():
        octets = index[-6:]
        if port <= 0 or len(octets) < 6 or max(octets) > 255:
            continue
        interface = view.by_bridge_port.get(port)
        yield ForwardingEntry(
            switch=view.tag,
            at_ns=at_ns,
            hardware_address=bytes(octets).hex(":"),
            port=interface.name if interface is not None else str(port),
            vlan=index[-7] if by_vlan and len(index) > 6 else 0,
            learned=bytes(octets) not in own,
        )


# --- within a survey ---------------------------------------------------------------------------------------


def switches_part(
    asked: Sequence[Asked], dwell_s: float = DWELL_S
) -> Callable[[Journal], Coroutine[Any, Any, None]]:
    """The asking as a part of ``work.Survey``: it runs beside the asking of devices, ended by cancelling."""

    async def part(journal: Journal) -> None:
        if not asked:
            return
        journal.note("survey", _told(asked, dwell_s))
        await ask_switches(asked, Means(journal.clock, journal.keep, asyncio.Event(), dwell_s))

    return part


def _told(asked: Sequence[Asked], dwell_s: float) -> str:
    many = sum(who.device.kind is Kind.SWITCH for who in asked)
    parts = [count(many, "switch", "switches")] if many else []
    parts += [count(len(asked) - many, "supply", "supplies")] if len(asked) > many else []
    return f"Asking {listed(parts)} by SNMP; counters once more after {span(dwell_s)}."
