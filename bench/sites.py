"""Many sites: agents take jobs from PostgreSQL, audit simulated devices, deliver; against the bare work.

    python -m bench.sites [--sites 200] [--devices 25] [--at-once 4]

Every site has an agent of its own, with its own queue, role, connections, journal and folder; so that one
computer holds them all, many agents share a process. Audits are processes, as always; so many at once are let
through as the computer bears. The bare work: the same audits by themselves, so many at once, of a part of the
sites. Needs Linux, gcc and PostgreSQL (Debian: postgresql).
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
from sqlalchemy import text

from bench.gear import host_of
from bench.measuring import renew
from bench.run import build, devices, machine
from probe.sweep import agent as agent_module
from probe.sweep.agent import Agent
from probe.sweep.agent_roles import roles_sql
from probe.sweep.centre import Centre
from probe.sweep.place import FleetPlace, open_fleet
from probe.sweep.run import Ran, audit_to, command_of

HERE = Path(__file__).parent
PROCESSES = 4  # that the agents share
PORT = 15060
LIMIT_S = 3600.0
OFFSETS = ((0, "u16"), (20, "u16"), (40, "i16"), (60, "u16"), (80, "u16"), (98, "u32"))


def profile_text() -> str:
    """The profile of ``bench.gear`` as people would write it."""
    lines = [
        "format: buswitness-profile/1",
        "name: bench-meter",
        "title: Meter of the benchmark",
        "kind: meter",
        "addressing: zero_based",
        "area: holding",
        "order: ABCD",
        "limits: {registers: 100}",
        "points:",
    ]
    for block in range(10):
        for offset, kind in OFFSETS:
            lines.append(
                f"  b{block}_{offset}: {{title: Point {block} {offset}, address: {200 * block + offset}, "
                f"type: {kind}, unit: A, quantity: current, scale: 0.1, range: [-4000, 500000000]}}"
            )
    return "\n".join(lines) + "\n"


def map_text(site: int, many: int) -> str:
    """The map of one site's lineup."""
    lines = [
        "format: buswitness-map/1",
        f"site: Site {site}",
        "lineup: MSB-1",
        "system: {voltage_v: 480, frequency_hz: 60, wiring: wye}",
        "devices:",
    ]
    for number in range(many):
        host = host_of(site * many + number)
        lines.append(
            f'  - {{tag: M-{number:03d}, kind: meter, profile: bench-meter, section: "1", '
            f"address: {{host: {host}, port: {PORT}, unit: 255}}}}"
        )
    return "\n".join(lines) + "\n"


def site_name(number: int) -> str:
    """Name of a site."""
    return f"site-{number:05d}"


def entry(number: int, folder: Path) -> str:
    """A sweep in a fleet file."""
    return (
        f"  - {{name: {site_name(number)}, map: {folder}/map.yaml, at: '0 3 * * *', quick: yes, "
        f"profiles: [{folder.parent}/profiles], agent: {site_name(number)}}}\n"
    )


def make_fleet(root: Path, history: str, sites: int, many: int) -> Path:
    """Folders of all sites, and the centre's fleet file."""
    (root / "profiles").mkdir()
    (root / "profiles" / "bench-meter.yaml").write_text(profile_text())
    head = f"format: buswitness-fleet/1\nhistory: {history}\nsweeps:\n"
    for number in range(sites):
        folder = root / site_name(number)
        folder.mkdir()
        (folder / "map.yaml").write_text(map_text(number, many))
        (folder / "fleet.yaml").write_text(head + entry(number, folder))
    centre = root / "centre"
    centre.mkdir()
    lines = "".join(entry(number, root / site_name(number)) for number in range(sites))
    (centre / "fleet.yaml").write_text(head + lines)
    return centre / "fleet.yaml"


# the bare work --------------------------------------------------------------------------------------------


def bare_s(root: Path, sites: Sequence[int], at_once: int) -> float:
    """Wall time of the sites' audits by themselves, so many at once."""

    def audit(number: int) -> None:
        place = open_fleet(root / site_name(number) / "fleet.yaml")
        record = root / site_name(number) / "bare.audit.jsonl"
        command = command_of(place, place.fleet.sweeps[0], record)
        done = subprocess.run(command, capture_output=True, check=False, timeout=LIMIT_S, cwd=place.folder)
        if done.returncode not in (0, 1, 3):
            sys.exit(f"bench: an audit failed: {done.stderr.decode()[-800:]}")

    began = time.monotonic()
    with ThreadPoolExecutor(at_once) as pool:
        list(pool.map(audit, sites))
    return time.monotonic() - began


# agents ---------------------------------------------------------------------------------------------------


def host_agents(root: Path, first: int, many: int, at_once: int) -> None:
    """Be the agents of so many sites until standard input ends."""
    gate = threading.Semaphore(at_once)
    stop = threading.Event()

    def through_the_gate(place: FleetPlace, sweep: Any, file: Path, *, stop: Callable[[], bool]) -> Ran:
        with gate:
            return audit_to(place, sweep, file, stop=stop)

    agent_module.audit_to = through_the_gate  # type: ignore[attr-defined]
    agents = [
        Agent(open_fleet(root / site_name(number) / "fleet.yaml"), site_name(number), stop=stop.is_set)
        for number in range(first, first + many)
    ]
    threads = [threading.Thread(target=agent.run) for agent in agents]
    for thread in threads:
        thread.start()
        time.sleep(0.05)
    print("ready", flush=True)
    sys.stdin.read()
    own = psutil.Process().cpu_times()
    print(json.dumps({"cpu_s": own.user + own.system, "mib": psutil.Process().memory_info().rss / 2**20}))
    stop.set()
    for thread in threads:
        thread.join()


@contextmanager
def agents_of(root: Path, sites: int, at_once: int) -> Iterator[list[dict[str, float]]]:
    """All agents at work; afterwards, what their processes used."""
    used: list[dict[str, float]] = []
    each = -(-sites // PROCESSES)
    started = []
    for first in range(0, sites, each):
        command = [sys.executable, "-m", "bench.sites", "--host", str(root), str(first)]
        command += [str(min(each, sites - first)), str(max(1, at_once // PROCESSES))]
        started.append(
            subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=HERE.parent
            )
        )
    try:
        for process in started:
            assert process.stdout is not None
            if process.stdout.readline().strip() != "ready":
                sys.exit("bench: agents did not start")
        yield used
    finally:
        for process in started:
            out, _ = process.communicate("", timeout=LIMIT_S)
            used.append(json.loads(out.splitlines()[-1]))


def server_cpu_s(server: Any) -> float:
    """CPU time of the database's processes that live, and of its children that ended."""
    head = psutil.Process(int((server.data / "postmaster.pid").read_text().split()[0]))
    times = [one.cpu_times() for one in (head, *head.children(recursive=True))]
    ended = head.cpu_times()
    return sum(one.user + one.system for one in times) + ended.children_user + ended.children_system


def one_round(server: Any, centre: Centre, place: FleetPlace, size: Callable[[], int]) -> dict[str, float]:
    """Every site has a start to make: what that took."""
    told: dict[str, float] = {}
    before, db_cpu, own, began = size(), server_cpu_s(server), time.process_time(), time.monotonic()
    for sweep in place.fleet.sweeps:
        centre.ask(sweep, time.time_ns() // 10**9 * 10**9)
    told |= {"ask_s": time.monotonic() - began, "ask_cpu_s": time.process_time() - own}
    own = time.process_time()
    taken, take_s = 0, 0.0
    while taken < len(place.fleet.sweeps):
        if time.monotonic() - began > LIMIT_S:
            sys.exit(f"bench: {taken} of {len(place.fleet.sweeps)} within {LIMIT_S} s")
        at = time.monotonic()
        fresh = len(list(centre.take_in()))
        take_s += time.monotonic() - at if fresh else 0.0
        taken += fresh
        time.sleep(0.5)
    told |= {"wall_s": time.monotonic() - began, "take_s": take_s}
    told |= {"centre_cpu_s": time.process_time() - own, "db_cpu_s": server_cpu_s(server) - db_cpu}
    told["grown"] = size() - before
    print(told, flush=True)
    return told


def work(server: Any, root: Path, fleet: Path, sites: int, at_once: int) -> dict[str, Any]:
    """One round: every site has a start to make; what it took until all is in the history."""
    place = open_fleet(fleet)
    history = place.open_history()
    centre = Centre(place, history)
    database = place.fleet.history.rpartition("/")[2]
    server.sql(roles_sql(site_name(number) for number in range(sites)), database=database)

    def size() -> int:
        return int(server.sql(f"SELECT pg_database_size('{database}')"))

    told: dict[str, Any] = {}
    with agents_of(root, sites, at_once) as used:
        time.sleep(5)
        idle_from, idle_cpu = time.monotonic(), server_cpu_s(server)
        time.sleep(20)
        told["idle_db_cpu"] = (server_cpu_s(server) - idle_cpu) / (time.monotonic() - idle_from)
        told["connections"] = int(
            server.sql("SELECT count(*) FROM pg_stat_activity WHERE usename LIKE 'bw_agent%'")
        )
        for number in (1, 2):
            told[f"round {number}"] = one_round(server, centre, place, size)
    told["agents_cpu_s"] = sum(one["cpu_s"] for one in used)
    told["agents_mib"] = sum(one["mib"] for one in used)
    with history.reading() as connection:
        told["runs"] = connection.execute(text("SELECT count(*) FROM run")).scalar()
        told["states"] = dict(
            connection.execute(text("SELECT state, count(*) FROM slot GROUP BY state")).all()  # type: ignore[arg-type]
        )
        told["tables"] = {
            row[0]: row[1]
            for row in connection.execute(
                text(
                    "SELECT relname, pg_total_relation_size(oid) FROM pg_class WHERE relkind = 'r' "
                    "AND relnamespace = 'public'::regnamespace ORDER BY 2 DESC LIMIT 8"
                )
            )
        }
    records = list(place.records().all())
    told["record_bytes"] = statistics.fmean(file.stat().st_size for file in records)
    history.close()
    return told


def postgres() -> Any:
    """The server of the tests."""
    spec = importlib.util.spec_from_file_location("tests_conftest", HERE.parent / "tests" / "conftest.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Server()


def report(told: dict[str, Any], given: argparse.Namespace, bare: float, part: int) -> str:
    """The section of the results."""
    sites, many = given.sites, given.devices
    whole = bare * sites / part
    tables = ", ".join(f"{name} {size / sites / 1024:.1f}" for name, size in told["tables"].items())
    states = ", ".join(f"{count} {state}" for state, count in told["states"].items())
    rows = {
        "starts; runs in the history": f"{states}; {told['runs']}",
        f"the audits alone ({part} of them, times {sites / part:g})": f"{whole:.0f} s",
    }
    for name in ("round 1", "round 2"):
        one = told[name]
        ms = {what: 1000 * value / sites for what, value in one.items()}
        rows |= {
            f"{name}: first job asked to last run in the history": f"{one['wall_s']:.0f} s, "
            f"{one['wall_s'] / whole:.2f} times the audits alone",
            f"{name}: asking a site": f"{ms['ask_s']:.1f} ms, CPU of the centre {ms['ask_cpu_s']:.1f} ms",
            f"{name}: taking in a run (unpack, distil, keep, store)": f"{ms['take_s']:.0f} ms",
            f"{name}: CPU of the centre for it": f"{ms['centre_cpu_s']:.0f} ms a run",
            f"{name}: CPU of the database, all of it": f"{ms['db_cpu_s']:.0f} ms a run",
            f"{name}: growth of the database": f"{one['grown'] / sites / 1024:.1f} KiB a run",
        }
    rows |= {
        f"CPU of the database, {sites} idle agents": f"{100 * told['idle_db_cpu']:.1f} % of a core",
        "CPU of the agents without their audits": f"{told['agents_cpu_s'] / sites:.2f} s a site in all",
        f"memory of the agents' {PROCESSES} processes": f"{told['agents_mib']:.0f} MiB",
        "connections of the agents": f"{told['connections']}, {told['connections'] / sites:.2f} a site",
        "a record in the store": f"{told['record_bytes'] / 1024:.0f} KiB",
        "largest tables, KiB a site": tables,
    }
    table = "\n".join(f"| {what} | {value} |" for what, value in rows.items())
    how = (
        f"Made by `python -m bench.sites {' '.join(sys.argv[1:])}` on {machine()}. "
        f"{sites} sites of {many} simulated devices, {sites * many:,} in all; each site with an agent, a "
        f"role and a queue of its own on one PostgreSQL; the agents share {PROCESSES} processes, "
        f"{given.at_once} audits run at once, so many as alone. In each of two rounds every site has a start "
        "to make; in the first all names are new to the history."
    )
    return f"""<!-- bench.sites begins -->

## Many sites

{how}

| what | measured |
| --- | --- |
{table}

<!-- bench.sites ends -->
"""


def main() -> int:
    """Measure, print and write."""
    if sys.argv[1:2] == ["--host"]:
        host_agents(Path(sys.argv[2]), *(int(word) for word in sys.argv[3:6]))
        return 0
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--sites", type=int, default=200)
    parser.add_argument("--devices", type=int, default=25)
    parser.add_argument("--at-once", type=int, default=4)
    parser.add_argument("--output", type=Path, default=HERE / "RESULTS.md")
    given = parser.parse_args()
    build()
    part = min(given.sites, 40)
    server = postgres()
    try:
        server.configure("max_connections = 1000")
        server.stop()
        server.start()
        with (
            tempfile.TemporaryDirectory(prefix="bw-sites-") as folder,
            devices(given.sites * given.devices, port=PORT),
        ):
            root = Path(folder)
            fleet = make_fleet(root, server.url(server.new_database()), given.sites, given.devices)
            bare = bare_s(root, range(part), given.at_once)
            print(f"{part} audits alone: {bare:.1f} s", flush=True)
            told = work(server, root, fleet, given.sites, given.at_once)
            bare = (bare + bare_s(root_again(root), range(part), given.at_once)) / 2
    finally:
        server.remove()
    print(json.dumps(told))
    made = report(told, given, bare, part)
    renew(given.output, made)
    print(made)
    return 0


def root_again(root: Path) -> Path:
    """The same sites, their records of the bare work away, to measure that once more afterwards."""
    for file in root.glob("*/bare.audit.jsonl"):
        file.unlink()
    return root


if __name__ == "__main__":
    os.environ.setdefault("PYTHONUNBUFFERED", "1")
    sys.exit(main())
