"""What lives long, watched from inside: a process that sweeps, or one that audits, again and again.

    python -m bench.soak_subject sweeps|audits|replays|digests FOLDER PORT COUNT SECONDS

``sweeps``: the cycle of ``sweep watch`` (time table, lock, an audit in a process of its own, record, history,
drift, alerts) with a clock that goes a quarter of an hour forward for each sweep. ``audits``: whole audits in
this very process, with ``asyncio`` as the command has it. ``replays``: the cycle as above, but the audit's
process is left out: records of the sweeps (``../sweeps``) are taken in again, each as if it were new, so that
days of sweeps go by in minutes. ``digests``: the same, but map and records are read once each, so that months
go by for the lock, the history, drift and alerts. After each, one line of JSON: what this process holds.
"""

from __future__ import annotations

import asyncio
import ctypes
import gc
import json
import logging
import shutil
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import psutil

from bench.soak_weather import Gear, weather

STEP = timedelta(minutes=15)
FILLED = 500
FLEET = """\
format: buswitness-fleet/1
sweeps:
  - {name: msb-1, map: map.yaml, at: '*/15 * * * *', quick: yes, budget: 3m}
alerts:
  - name: journal
    syslog: {host: 127.0.0.1, port: 9, transport: udp}
"""

Held = dict[str, float]
Once = Callable[[int], dict[str, object]]


def held() -> Held:
    """What this process holds now, after a collection of garbage."""
    gc.collect()
    me = psutil.Process()
    memory = me.memory_full_info()
    return {
        "uss_kib": memory.uss / 1024,
        "rss_kib": memory.rss / 1024,
        "heap_kib": heap_kib(),
        "blocks": float(sys.getallocatedblocks()),
        "handles": float(me.num_fds() if hasattr(me, "num_fds") else me.num_handles()),
        "sockets": float(len(me.net_connections(kind="all"))),
        "threads": float(threading.active_count()),
        "children": float(len(me.children())),
        "objects": float(len(gc.get_objects())),
    }


class _Mallinfo(ctypes.Structure):
    """Source: mallinfo2(3) of the Linux manual pages 6.03; the same order since glibc 2.33."""

    _fields_ = [
        (name, ctypes.c_size_t)
        for name in ("arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks",
                     "fordblks", "keepcost")
    ]  # fmt: skip


def heap_kib() -> float:
    """What C code has asked for and not given back (SQLite, Python's large objects), KiB; 0 if not told."""
    try:
        ask = ctypes.CDLL(None).mallinfo2
    except (AttributeError, OSError, TypeError):
        return 0.0
    ask.restype = _Mallinfo
    told = ask()
    return float(told.uordblks + told.hblkhd) / 1024


def sweeps(folder: Path, gear: Gear) -> tuple[Once, Callable[[], object]]:
    """One sweep of the fleet by its time table, a quarter of an hour after the one before; and how to end."""
    from probe.sweep.alerts.deliver import Alerting
    from probe.sweep.cycle import Cycle
    from probe.sweep.place import open_fleet

    file = folder / "fleet.yaml"
    file.write_text(FLEET, encoding="utf-8")
    place = open_fleet(file)
    history = place.open_history()
    now = [datetime(2026, 1, 1, tzinfo=UTC)]
    alerting = Alerting(place.fleet, history)
    cycle = Cycle(place, history, heard=alerting.heard, now=lambda: now[0])
    cycle.run_due()  # from here on it knows the sweep
    logging.getLogger("buswitness.sweep").setLevel(logging.ERROR)

    def once(number: int) -> dict[str, object]:
        now[0] += STEP
        done = cycle.run_due()
        alerting.deliver()
        outcome = done[0][1] if done else None
        return {"state": outcome.state.value if outcome else "nothing was due", "tasks": 0}

    return once, history.close


def replays(folder: Path, gear: Gear) -> tuple[Once, Callable[[], object]]:
    """One sweep whose record is one of an earlier sweep under another code and time.

    Before the first the history goes through 500 sweeps as in ``digests``, so that SQLite's cache is full.
    """
    intake = _Intake(folder, gear)
    for number in range(FILLED):
        intake.once(number)
    intake.reads = True
    return intake.once, intake.end


def digests(folder: Path, gear: Gear) -> tuple[Once, Callable[[], object]]:
    """As ``replays`` from the first, but the map is read once, and each of the records once."""
    intake = _Intake(folder, gear)
    return intake.once, intake.end


class _Intake:
    """Sweeps without their audits. reads: whether map and record are read again for each."""

    def __init__(self, folder: Path, gear: Gear) -> None:
        from probe.collect.inputs import open_lineup
        from probe.history.distil import distil_file

        self.reads = False
        self._records = sorted((folder.parent / "sweeps" / "records").rglob("*.audit.jsonl"))
        self._began = datetime(2026, 1, 1, tzinfo=UTC)
        self._done = 0
        self._open, self._distil = open_lineup, distil_file
        self._lineup = open_lineup(gear.map)
        self._known: dict[int, Any] = {}
        self._sweep, self.end = sweeps(folder, gear)

    def once(self, number: int) -> dict[str, object]:
        """One sweep. Raises RuntimeError if it was anything else than a record taken in."""
        from probe.sweep import run

        done = self._done
        with (
            patch.object(run, "_audit", self._copied),
            patch.object(run, "distil_file", self._as_new),
            patch.object(run, "open_lineup", self._opened),
        ):
            told = self._sweep(number)
        if self._done != done + 1:
            raise RuntimeError("a sweep was not a record taken in again")
        return told

    def _opened(self, *given: Any) -> Any:
        return self._open(*given) if self.reads else self._lineup

    def _copied(self, place: object, sweep: object, file: Path, *_: object) -> Any:
        from probe.sweep.run import Ran

        shutil.copyfile(self._records[self._done % len(self._records)], file)
        self._done += 1
        return Ran(0)

    def _as_new(self, file: Path, *, place: str = "") -> Any:
        number = (self._done - 1) % len(self._records)
        if self.reads or number not in self._known:
            self._known[number] = self._distil(file, place=place)
        at_ns = round((self._began + self._done * STEP).timestamp() * 1e9)
        times = {"started_ns": at_ns, "finished_ns": at_ns + 10**9}
        return replace(self._known[number], **times, code=f"{self._done:064x}")


def audits(folder: Path, gear: Gear) -> tuple[Once, Callable[[], object]]:
    """One whole audit in this process."""
    from probe import __version__
    from probe.collect import agent
    from probe.collect.inputs import open_lineup
    from probe.model.scope import Scope
    from probe.record.header import Header
    from probe.record.writer import RecordWriter
    from probe.wire.system_clock import SystemClock

    async def audit(path: Path) -> tuple[bool, int]:
        lineup, _ = open_lineup(gear.map)
        scope = Scope(tags=tuple(device.tag for device in lineup.map.devices), quick=True)
        plan, clock = agent.prepare(lineup, scope), SystemClock()
        header = Header.of(lineup, scope, tool_version=__version__, started_wall_ns=clock.wall_ns())
        with_ledger = RecordWriter.create(path, header)
        result = await agent.audit(plan, ledger=with_ledger, observers=[], clock=clock, stop=asyncio.Event())
        with_ledger.seal(complete=result.complete, reason=result.why_incomplete)
        await asyncio.sleep(0)
        return result.complete, len(asyncio.all_tasks()) - 1

    runner = asyncio.Runner()  # one loop for all: what is left in it would pile up

    def once(number: int) -> dict[str, object]:
        path = folder / f"{number}.audit.jsonl"
        complete, tasks = runner.run(audit(path))
        path.unlink()
        return {"state": "done" if complete else "incomplete", "tasks": tasks}

    return once, runner.close


LOOKED_AT = {"digests": 10}  # to look costs more than to take in
KINDS = {"sweeps": sweeps, "audits": audits, "replays": replays, "digests": digests}


def main(what: str, folder: Path, port: int, count: int, seconds: float) -> int:
    """Go on until the count or the time is reached; prints a line after each."""
    with Gear(folder, port) as gear:
        gear.set([])
        once, end = KINDS[what](folder, gear)
        until = time.monotonic() + seconds
        states: Counter[str] = Counter()
        for number in range(count):
            if time.monotonic() > until:
                break
            name, faults = weather(number)
            if what in ("sweeps", "audits"):
                gear.set(faults)
            told = once(number)
            states[str(told["state"])] += 1
            if number % LOOKED_AT.get(what, 1) == 0:
                print(json.dumps({"n": number, "weather": name, **told, **held()}), flush=True)
        end()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]), float(sys.argv[5])))
