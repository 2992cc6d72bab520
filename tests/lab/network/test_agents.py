"""Agents of three sites in networks of their own, PostgreSQL beyond a cable, and all that fails.

In two rounds each site has a start to make, while agents are killed, a cable is pulled, the database crashes
and clocks are months wrong. Afterwards the history holds every start once, in the order of their due times.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from probe.history.slot_book import SlotState, latest
from probe.record.verify import verify
from probe.sweep.agent_roles import roles_sql
from probe.sweep.centre import Centre
from probe.sweep.place import open_fleet

BOUND_S = 180.0
REPOSITORY = Path(__file__).resolve().parents[3]
CLOCKS = {"tarn": 0, "moor": 70 * 86_400, "fell": -400 * 86_400}  # seconds that the site's clock is wrong by

WRONG_CLOCK = r"""
#define _GNU_SOURCE
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

/* The wall clock of a process, wrong by WRONG_BY seconds; what runs since the start stays right. */
int clock_gettime(clockid_t clock, struct timespec *at) {
    int said = syscall(SYS_clock_gettime, clock, at);
    const char *by = getenv("WRONG_BY");
    if (said == 0 && clock == CLOCK_REALTIME && by) at->tv_sec += atol(by);
    return said;
}
"""

GEAR = """
import asyncio, sys
from pathlib import Path
from probe.practice.lineup import practice
from probe.practice.scenario import small_scenario

async def up(site):
    async with practice(small_scenario({"52-M1", "UPS-1"}, []), directory=Path("gear")) as lineup:
        text = lineup.map_path.read_text().replace("lineup: MSB-1", "lineup: MSB-" + site)
        text = text.replace("study: study.yaml", "")  # it is of another lineup now
        lineup.map_path.with_name("of-site.yaml").write_text(text)
        Path("up").touch()
        await asyncio.sleep(3600)

Path("gear").mkdir()
asyncio.run(up(sys.argv[1]))
"""


class Site:
    """A site: its gear on its own loopback, its agent, its cable to the centre."""

    def __init__(
        self, lab: Any, name: str, address: str, switch: Any, history: str, wrong_clock: Path
    ) -> None:
        self.name = name
        self.space = lab.host(name, switch, address)
        self.folder = self.space.directory
        (self.folder / "fleet.yaml").write_text(
            f"format: buswitness-fleet/1\nhistory: {history}\nagents_ask: 1s\nsweeps:\n{self.entry(Path())}"
        )
        self.space.python(GEAR, name)
        self.agent: Any = None
        self.wrong_clock = wrong_clock

    def entry(self, folder: Path) -> str:
        """Its sweep in a fleet file. folder: where the map's folder is, from there."""
        path = (folder / "gear" / "of-site.yaml").as_posix()
        return (
            f"  - {{name: at-{self.name}, map: {path}, at: '*/10 * * * *', dwell: 4s, agent: {self.name}}}\n"
        )

    def start_agent(self) -> None:
        """Start the agent, with the site's clock as it is."""
        more = {"PYTHONPATH": str(REPOSITORY)}
        more |= {"LD_PRELOAD": str(self.wrong_clock), "WRONG_BY": str(CLOCKS[self.name])}
        command = ("-m", "probe", "sweep", "agent", "fleet.yaml", "--site", self.name)
        self.agent = self.space.start(sys.executable, *command, **more)

    def stages(self) -> dict[int, str]:
        """Due time and stage of every start in its journal."""
        folder = self.folder / ".agent" / self.name
        told = [json.loads(path.read_text()) for path in folder.glob("*.start.json")]
        return {one["due_ns"]: one["stage"] for one in told}

    def is_in_mid_sweep(self) -> bool:
        """True while gear is being asked."""
        return "begun" in self.stages().values() and any((self.folder / ".agent" / self.name).glob("*.jsonl"))

    def kill_agent(self) -> None:
        """Kill the agent alone: ``kill -9``. Its audit lives."""
        os.kill(self.agent.pid, signal.SIGKILL)
        self.agent.wait(20)

    def lose_power(self) -> None:
        """The agent and its audit, which is in the agent's process group, end at once."""
        os.killpg(self.agent.pid, signal.SIGKILL)
        self.agent.wait(20)


class Fleet:
    """The centre: PostgreSQL on a computer of its own, and the fleet file of the one who asks."""

    def __init__(self, lab: Any, server: Any, switch: Any, folder: Path, wrong_clock: Path) -> None:
        self.server = server
        self.database = server.new_database()
        self.sites = [
            Site(lab, name, f"10.78.0.{number}/24", switch, server.url(self.database), wrong_clock)
            for number, name in enumerate(CLOCKS, 11)
        ]
        folder.mkdir()
        socket = f"postgresql://owner@/{self.database}?host={server.folder}&port={server.port}"
        (folder / "fleet.yaml").write_text(
            f"format: buswitness-fleet/1\nhistory: {socket}\nsweeps:\n"
            + "".join(site.entry(site.folder) for site in self.sites)
        )
        self.place = open_fleet(folder / "fleet.yaml")
        self.history = self.place.open_history()
        self.centre = Centre(self.place, self.history)
        server.sql(roles_sql(CLOCKS), database=self.database)

    def ask(self, due_ns: int) -> None:
        """Every site has a start to make."""
        for sweep in self.place.fleet.sweeps:
            assert self.centre.ask(sweep, due_ns)

    def is_over(self, due_ns: int) -> bool:
        """True when the centre has taken in what became of every site's start."""
        list(self.centre.take_in())
        told = [latest(self.history, sweep.name) for sweep in self.place.fleet.sweeps]
        return all(
            one.state is not SlotState.QUEUED for slots in told for one in slots if one.due_ns == due_ns
        )

    def rows(self, statement: str) -> list[Any]:
        """What the database holds."""
        with self.history.reading() as connection:
            return list(connection.execute(text(statement)).all())

    def output(self) -> str:
        """What the agents said, for a test that failed."""
        return "\n".join(site.space.output() for site in self.sites)


@pytest.fixture
def wrong_clock(daemon: Callable[..., str], tmp_path: Path) -> Path:
    """A library that shifts the wall clock of the process that it is loaded into."""
    source, made = tmp_path / "wrong_clock.c", tmp_path / "wrong_clock.so"
    source.write_text(WRONG_CLOCK)
    subprocess.run([daemon("gcc"), "-shared", "-fPIC", "-O", "-o", made, source], check=True, timeout=60)
    return made


@pytest.fixture
def fleet(
    lab_net: Any, server_type: Any, wrong_clock: Path, tmp_path: Path, wait_for: Callable[..., None]
) -> Iterator[Fleet]:
    """Three sites with their gear up; no agent works yet."""
    switch = lab_net.switch("sw")
    centre = lab_net.host("centre", switch, "10.78.0.1/24")
    server = server_type(listen="10.78.0.1", inside=centre.inside(), port=5432)
    try:
        server.let_in("host all all 10.78.0.0/24 trust")
        server.stop()
        server.start()
        made = Fleet(lab_net, server, switch, tmp_path / "fleet", wrong_clock)
        wait_for(lambda: all((site.folder / "up").exists() for site in made.sites), "gear", bound_s=BOUND_S)
        try:
            yield made
        finally:
            made.history.close()
            for site in made.sites:
                site.space.stop()
            sys.stdout.write(made.output())
    finally:
        server.remove()


def test_every_start_is_in_the_history_once_whatever_fails(
    fleet: Fleet, wait_for: Callable[..., None]
) -> None:
    tarn, moor, fell = fleet.sites
    wait_for = partial(wait_for, bound_s=BOUND_S)
    began_ns = time.time_ns()
    first_ns = began_ns // 10**9 * 10**9
    second_ns = first_ns + 10**9
    for site in fleet.sites:
        site.start_agent()

    fleet.ask(first_ns)
    wait_for(tarn.is_in_mid_sweep, "a sweep at tarn")
    tarn.kill_agent()
    wait_for(moor.is_in_mid_sweep, "a sweep at moor")
    moor.space.ip("link", "set", "eth0", "down")
    tarn.start_agent()
    wait_for(lambda: moor.stages() == {first_ns: "over"}, "the run at moor goes on without a link")
    moor.space.ip("link", "set", "eth0", "up")
    wait_for(lambda: fleet.is_over(first_ns), "the first round")

    fleet.ask(second_ns)
    wait_for(fell.is_in_mid_sweep, "a sweep at fell")
    fleet.server.stop(how="immediate")
    fell.lose_power()
    fleet.server.start()
    fleet.history.engine.dispose()
    fell.start_agent()
    wait_for(lambda: fleet.is_over(second_ns), "the second round")
    wait_for(lambda: not any(site.stages() for site in fleet.sites), "journals are settled")

    slots = fleet.rows("SELECT sweep, due_ns, state, code FROM slot ORDER BY sweep, due_ns")
    runs = fleet.rows(
        "SELECT code, started_ns FROM run JOIN lineup ON lineup.id = lineup_id "
        "ORDER BY lineup.name, started_ns"
    )
    assert [one.code for one in runs] == [one.code for one in slots], "a run for each start, in their order"
    assert len({one.code for one in runs}) == len(runs) == 6
    lost = ("at-fell", second_ns)  # as far as it came before the power was lost
    assert [one[:2] for one in slots if one.state != "done"] == [lost]
    assert [verify(record).whole for record in fleet.place.records().all()].count(False) == 1
    assert all(began_ns < one.started_ns < time.time_ns() for one in runs), "by no agent's clock"
    assert fleet.rows("SELECT DISTINCT status::text FROM procrastinate_jobs") == [("succeeded",)]
    assert fleet.rows("SELECT count(*) FROM piece") == [(0,)]
    assert len(list(fleet.place.records().all())) == 6
    assert [len(list(site.folder.glob("records/**/*.audit.jsonl"))) for site in fleet.sites] == [2, 2, 2]
