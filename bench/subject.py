"""One measured run in a process of its own: a whole audit, or one of its Python peers.

Used by ``run.py``; by hand: ``python -m bench.subject audit 1000 uvloop``. Prints one JSON object with wall
and CPU seconds of the work itself (imports and loading of the map left out), transactions and peak memory.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import importlib.util
import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from bench.gear import PORT, lineup_of, scope_of
from probe.collect.loop import allow_many_files

Loop = Callable[[], asyncio.AbstractEventLoop] | None


def loop_of(name: str) -> Loop:
    """The maker of the event loop named."""
    if name == "asyncio":
        return asyncio.SelectorEventLoop
    import uvloop

    return uvloop.new_event_loop


class Lamp:
    """An observer as cheap as a dashboard's: it counts."""

    def __init__(self) -> None:
        self.exchanges = 0

    def run_started(self, plan: object) -> None: ...

    def phase(self, tag: str, phase: object) -> None: ...

    def exchange(self, exchange: object) -> None:
        self.exchanges += 1

    def judged(self, tag: str, findings: object, *, final: bool) -> None: ...

    def note(self, text: str) -> None:
        print("note:", text, file=sys.stderr)

    def run_finished(self, result: object) -> None: ...


def audit(count: int, loop: Loop) -> tuple[float, float, int, dict[str, Any]]:
    """A whole audit: evidence, hashing, record in a real file, verdicts."""
    from probe import __version__
    from probe.collect import agent
    from probe.collect import loop as loops
    from probe.record.header import Header
    from probe.record.writer import RecordWriter
    from probe.wire.connect import link_to
    from probe.wire.system_clock import SystemClock

    assert link_to is not None
    lineup = lineup_of(count)
    scope = scope_of(lineup)
    agent.prepare(lineup_of(1), scope_of(lineup_of(1)))  # imports of the judge are not the work
    gc.collect()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.audit.jsonl"

        run_s: list[float] = []

        async def work() -> Any:
            plan = agent.prepare(lineup, scope)
            clock = SystemClock()
            header = Header.of(lineup, scope, tool_version=__version__, started_wall_ns=clock.wall_ns())
            ledger = RecordWriter.create(path, header)
            began = time.perf_counter()
            result = await agent.audit(
                plan, ledger=ledger, observers=[Lamp()], clock=clock, stop=asyncio.Event()
            )
            run_s.append(time.perf_counter() - began)
            ledger.seal(complete=result.complete, reason=result.why_incomplete)
            return result

        started, used = time.perf_counter(), time.process_time()
        result = loops.run(work(), factory=loop)
        wall, cpu = time.perf_counter() - started, time.process_time() - used
        verdicts: dict[str, int] = {}
        for finding in result.findings:
            verdicts[finding.verdict.value] = verdicts.get(finding.verdict.value, 0) + 1
        facts = {
            "complete": result.complete, "verdicts": verdicts, "record_bytes": path.stat().st_size,
            "requests": result.requests,
            "run_s": run_s[0],
        }  # fmt: skip
    return wall, cpu, result.requests, facts


def peer(name: str, count: int, loop: Loop) -> tuple[float, float, int, dict[str, Any]]:
    """One of the Python peers, from ``peers/NAME.py``: ``main(count, port)`` gives the transactions."""
    path = Path(__file__).parent / "peers" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"bench_peer_{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    work: Coroutine[Any, Any, int] = module.main(count, PORT)
    started, used = time.perf_counter(), time.process_time()
    with asyncio.Runner(loop_factory=loop) as runner:
        transactions = runner.run(work)
    return time.perf_counter() - started, time.process_time() - used, transactions, {}


def main() -> int:
    """Measure what the command line names and print it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["audit", "bare_asyncio", "pymodbus_gather", "pymodbus_sequential"])
    parser.add_argument("count", type=int)
    parser.add_argument("loop", choices=["asyncio", "uvloop"])
    given = parser.parse_args()
    allow_many_files()
    loop = loop_of(given.loop)
    work = audit if given.what == "audit" else lambda count, loop: peer(given.what, count, loop)
    wall, cpu, transactions, facts = work(given.count, loop)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"wall_s": wall, "cpu_s": cpu, "transactions": transactions, "peak_mib": peak, **facts}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
