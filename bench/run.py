"""Runs the benchmark of audits and writes its section of RESULTS.md: python -m bench.run

A whole audit (evidence, hashing, record in a real file, verdicts) against its floor (a C epoll client), a
bare asyncio client, a gather of pymodbus clients and a plain sequential pymodbus script, for 10 to 4,000
simulated devices on loopback. Everything is bounded in count and time. The machine is noisy, and noise only
adds: each number is the least of a few runs that take turns, and budgets are ratios of numbers of one run of
this script.
Needs Linux and gcc.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bench.gear import BLOCKS, LIMITS, PORT, REGISTERS
from bench.report import placed, report

HERE = Path(__file__).parent
BUILD = HERE / "build"
DELAY_S = 0.005
LIMIT_S = 120.0  # no single measurement may take longer
QUIET = 0.2  # other programs may take so much of the cores
SEQUENTIAL_MOST = 100  # a sequential script over thousands would only show patience


def build() -> None:
    """Compile the two C programs."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        sys.exit("bench: gcc is needed")
    BUILD.mkdir(exist_ok=True)
    for name in ("server", "client"):
        source = HERE / "peers" / f"{name}.c"
        subprocess.run([compiler, "-O2", "-Wall", "-o", BUILD / name, source], check=True)


@contextlib.contextmanager
def devices(count: int, silent_percent: int = 0, *, port: int = PORT) -> Iterator[None]:
    """Simulated devices for as long as the block lasts."""
    command = [BUILD / "server", str(count), str(port), str(round(DELAY_S * 1e6)), str(silent_percent)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as server:
        assert server.stdin is not None
        assert server.stdout is not None
        try:
            if server.stdout.readline().strip() != b"ready":
                sys.exit("bench: the simulated devices did not start")
            yield
        finally:
            server.stdin.close()
            try:
                server.wait(10)
            except subprocess.TimeoutExpired:
                server.kill()


def floor(count: int) -> dict[str, Any]:
    """The C client."""
    command = [BUILD / "client", str(count), str(PORT), str(BLOCKS), str(REGISTERS)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=LIMIT_S)
    wall, cpu, transactions = done.stdout.split()
    return {"wall_s": float(wall), "cpu_s": float(cpu), "transactions": int(transactions)}


def subject(what: str, count: int, loop: str) -> dict[str, Any]:
    """One measurement in a process of its own."""
    command = [sys.executable, "-m", "bench.subject", what, str(count), loop]
    done = subprocess.run(
        command, capture_output=True, text=True, check=True, timeout=LIMIT_S, cwd=HERE.parent
    )
    measured: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return measured


WORKS = {
    "C epoll client": floor,
    "bare asyncio": lambda count: subject("bare_asyncio", count, "asyncio"),
    "bare asyncio, uvloop": lambda count: subject("bare_asyncio", count, "uvloop"),
    "pymodbus gather": lambda count: subject("pymodbus_gather", count, "asyncio"),
    "pymodbus sequential": lambda count: subject("pymodbus_sequential", count, "asyncio"),
    "audit, asyncio": lambda count: subject("audit", count, "asyncio"),
    "audit, uvloop": lambda count: subject("audit", count, "uvloop"),
}


def busy_share(seconds: float = 0.25) -> float:
    """Share of all cores that was busy in the next moment."""

    def look() -> tuple[int, int]:
        times = [int(field) for field in Path("/proc/stat").read_text("ascii").split("\n", 1)[0].split()[1:]]
        return sum(times), times[3] + times[4]  # all, idle and waiting for disks

    all_before, idle_before = look()
    time.sleep(seconds)
    all_after, idle_after = look()
    return 1 - (idle_after - idle_before) / max(1, all_after - all_before)


def wait_for_quiet(patience_s: float) -> None:
    """Return when other programs leave this computer nearly alone, or when patience is over."""
    until = time.monotonic() + patience_s
    while time.monotonic() < until and busy_share() > QUIET:
        pass


def measure(count: int, repeats: int, patience_s: float) -> dict[str, dict[str, Any]]:
    """Least numbers of all works for so many devices; the works take turns, so that noise hits all alike."""
    runs: dict[str, list[dict[str, Any]]] = {}
    with devices(count):
        for turn in range(repeats):
            for name, work in WORKS.items():
                if name == "pymodbus sequential" and (count > SEQUENTIAL_MOST or turn):
                    continue
                wait_for_quiet(patience_s)
                runs.setdefault(name, []).append(work(count))
                print(f"{count:5d}  {name:24s} {runs[name][-1]['wall_s']:8.3f} s", flush=True)
    return {name: _least(results) for name, results in runs.items()}


def _least(results: list[dict[str, Any]]) -> dict[str, Any]:
    """The least of each number; other facts from the last run."""
    merged = dict(results[-1])
    for key, value in merged.items():
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            merged[key] = min(result[key] for result in results)
    return merged


def measure_silent(count: int, percent: int, repeats: int, patience_s: float) -> dict[str, Any]:
    """An audit in which some devices accept and never answer, against the time-outs of one of them."""
    results = []
    with devices(count, percent):
        for _ in range(repeats):
            wait_for_quiet(patience_s)
            results.append(subject("audit", count, "uvloop"))
    measured = _least(results)
    measured["budget_s"] = LIMITS.first_timeout_s + LIMITS.retries * LIMITS.timeout_s
    return measured


def machine() -> str:
    """One line about this computer; no names."""
    system = f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores"
    return f"{system}, Python {platform.python_version()}"


def main() -> int:
    """Measure, print and write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--devices", type=int, nargs="+", default=[10, 100, 1000, 4000])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument(
        "--patience",
        type=float,
        default=0.0,
        help="seconds to wait for a quiet moment before each measurement",
    )
    parser.add_argument("--output", type=Path, default=HERE / "RESULTS.md")
    given = parser.parse_args()
    build()
    table = {count: measure(count, given.repeats, given.patience) for count in given.devices}
    silent = {
        count: measure_silent(count, 5, given.repeats, given.patience)
        for count in given.devices
        if count >= 100
    }
    text = report(table, silent, machine(), " ".join(["python -m bench.run", *sys.argv[1:]]))
    whole = given.output.read_text(encoding="utf-8") if given.output.exists() else ""
    given.output.write_text(placed(text, whole), encoding="utf-8")
    print(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
