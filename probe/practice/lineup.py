"""The practice lineup in operation: servers up, map written, all gone again at the end.

    async with practice(bundled_scenario("healthy"), directory=folder) as lineup:
        ... audit lineup.map_path ...

Everything listens on loopback, on ports of its own: any free ones, or counted up from a base.
"""

from __future__ import annotations

import random
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from probe.model.profile import Profile
from probe.practice.clockwork import Moment
from probe.practice.drawing import map_text
from probe.practice.part import Part, Stage
from probe.practice.physics import Plant
from probe.practice.protection import STUDY_NAME, study_text
from probe.practice.scenario import Scenario
from probe.practice.server import Host, PracticeServer, Tally
from probe.practice.stage import healthy_parts, hosts_of, plant_of, set_stage

MAP_NAME = "map.yaml"


class Profiles(Protocol):
    """What is needed of ``profile_load.ProfileLibrary``."""

    def get(self, name: str) -> Profile:
        """The compiled profile."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PracticeLineup:
    """A lineup that is up. hosts: by the tag drawn at the address. stage and plant: the truth, for tests.

    now: the lineup's own time.
    """

    map_path: Path
    scenario: Scenario
    ports: dict[str, int]
    hosts: dict[str, Host]
    stage: Stage
    plant: Plant
    now: Callable[[], Moment]

    def tally(self, tag: str) -> Tally:
        """What the host at a tag's address has seen."""
        return self.hosts[tag].tally


@asynccontextmanager
async def practice(
    scenario: Scenario,
    *,
    host: str = "127.0.0.1",
    directory: Path,
    base_port: int = 0,
    profiles: Profiles | None = None,
) -> AsyncIterator[PracticeLineup]:
    """The scenario's lineup, up while the block runs; its map is written to ``directory``/map.yaml.

    base_port: first of consecutive ports, 0 for any free ones. profiles: the bundled ones if None.
    Raises OSError if a port is taken or the map cannot be written, InputError for faults that mean nothing.
    """
    library = profiles if profiles is not None else _bundled()
    now = _running_time()
    drawn = list(healthy_parts(scenario, library.get).values())
    stage = set_stage(scenario, healthy_parts(scenario, library.get), now().truth_s)
    plant = plant_of(stage, scenario.seed)
    hosts = hosts_of(stage, plant, now)
    async with AsyncExitStack() as stack:
        ports = await _open_all(stack, hosts, host, base_port, scenario.seed)
        map_path = _write_map(directory, drawn, {tag: (host, port) for tag, port in ports.items()})
        yield PracticeLineup(
            map_path=map_path,
            scenario=scenario,
            ports=ports,
            hosts=hosts,
            stage=stage,
            plant=plant,
            now=now,
        )


def check_scenario(scenario: Scenario, profiles: Profiles | None = None) -> None:
    """Raises InputError if a fault of the scenario means nothing at its device; starts nothing."""
    library = profiles if profiles is not None else _bundled()
    set_stage(scenario, healthy_parts(scenario, library.get), 0.0)


async def _open_all(
    stack: AsyncExitStack, hosts: dict[str, Host], address: str, base_port: int, seed: str
) -> dict[str, int]:
    """Every host at a port; returns the ports by tag."""
    ports: dict[str, int] = {}
    for number, (tag, host) in enumerate(hosts.items()):
        port = base_port + number if base_port else 0
        if host.own.manner.refuses:
            ports[tag] = _hold_port(stack, address, port)
            continue
        server = PracticeServer(host, address=address, port=port, dice=random.Random(f"{seed}/reply {tag}"))
        await server.start()
        stack.push_async_callback(server.stop)
        ports[tag] = server.port
    return ports


def _hold_port(stack: AsyncExitStack, address: str, port: int) -> int:
    """A port that belongs to us and that nobody listens at: connections to it are refused."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    holder = stack.enter_context(socket.socket(family, socket.SOCK_STREAM))
    holder.bind((address, port))
    return int(holder.getsockname()[1])


def _write_map(directory: Path, drawn: list[Part], places: dict[str, tuple[str, int]]) -> Path:
    path = directory / MAP_NAME
    path.write_text(map_text(drawn, places), encoding="utf-8")
    if any(part.entry.breaker for part in drawn):
        (directory / STUDY_NAME).write_text(study_text(drawn), encoding="utf-8")
    return path


def _running_time() -> Callable[[], Moment]:
    """The lineup's time: the computer's wall clock at the start, running monotonically from there."""
    truth_s, started = time.time(), time.monotonic()

    def now() -> Moment:
        since_s = time.monotonic() - started
        return Moment(truth_s + since_s, since_s)

    return now


def _bundled() -> Profiles:
    """The profiles that come with the program."""
    from probe.collect.inputs import open_library

    return open_library()
