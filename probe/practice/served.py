"""The practice lineup in a process of its own, for ``demo``.

Its servers then do not share a processor's turn with the audit, and Ctrl-C in the terminal ends the audit
in good order while the lineup still answers. The process lives exactly as long as its standard input is
open: when the parent ends, however it ends, the lineup ends too (this works on every system).

    parent                                    child
      start, with pipes  ──────────────────►  servers up, map written
      reads one line     ◄──────────────────  {"map": "…/map.yaml"}   or   {"error": "…"}
      may write orders   ──────────────────►  {"act": "open", "tag": "52-F1", "mood": "right"}
      audits … closes the pipe ────────────►  servers closed, exit 0
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import probe
from probe.model.errors import BuswitnessError
from probe.practice.crew import Mood, Operator
from probe.practice.hand import Hand
from probe.practice.lineup import PracticeLineup, practice
from probe.practice.scenario import Scenario, bundled_scenario, load_scenario

_START = (
    "import sys; sys.path.append(sys.argv.pop(1)); "
    "from probe.practice.served import main; sys.exit(main(sys.argv[1:]))"
)
_STOP_S = 5.0

#: Before the path of a scenario file, to tell it from the name of a bundled one.
FILE = "file:"


class LineupFailed(Exception):  # noqa: N818 (what happened, as the caller tells it)
    """The lineup could not be started; the text says why."""


@contextmanager
def served_apart(scenario: str, directory: Path) -> Iterator[Path]:
    """Path of the map of a lineup that another process serves while the block runs.

    scenario: name of a bundled one, or ``FILE`` and the path of one that was read without errors before.
    Raises LineupFailed with the reason.
    """
    with served_with_operator(scenario, directory) as (path, _):
        yield path


#: Has the scripted operator do an act at a device, in a mood (``crew.Mood``).
Tell = Callable[[str, str, str], None]


@contextmanager
def served_with_operator(scenario: str, directory: Path) -> Iterator[tuple[Path, Tell]]:
    """As ``served_apart``, and how to tell the scripted operator at that lineup what to do."""
    root = Path(probe.__file__).parent.parent
    command = [sys.executable, "-c", _START, str(root), scenario, str(directory)]
    child = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
    )
    try:
        yield _map_of(child), lambda act, tag, mood: _tell(child, act, tag, mood)
    finally:
        _end(child)


def _map_of(child: subprocess.Popen[str]) -> Path:
    line = child.stdout.readline() if child.stdout is not None else ""
    answer = json.loads(line) if line else {"error": "its process ended before it was up"}
    if "map" not in answer:
        raise LineupFailed(str(answer["error"]))
    return Path(answer["map"])


def _tell(child: subprocess.Popen[str], act: str, tag: str, mood: str) -> None:
    """One order to the operator in the other process; nothing if that has ended."""
    if child.stdin is not None:
        with suppress(OSError):
            child.stdin.write(json.dumps({"act": act, "tag": tag, "mood": mood}) + "\n")
            child.stdin.flush()


def _end(child: subprocess.Popen[str]) -> None:
    """Close the child's input, which ends it; only if it does not end by itself, by force."""
    for stream in (child.stdin, child.stdout):
        if stream is not None:
            stream.close()
    try:
        child.wait(_STOP_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def main(arguments: list[str]) -> int:
    """Serve until standard input ends. arguments: scenario (name or file) and folder for the map."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    scenario, directory = arguments
    try:
        asyncio.run(_serve(_scenario(scenario), Path(directory)))
    except (OSError, BuswitnessError) as error:
        print(json.dumps({"error": str(error)}), flush=True)  # noqa: T201 (the line that the parent reads)
        return 1
    return 0


def _scenario(name: str) -> Scenario:
    path = name.removeprefix(FILE)
    return bundled_scenario(name) if path == name else load_scenario(path, Path(path).read_bytes())


async def _serve(scenario: Scenario, directory: Path) -> None:
    async with practice(scenario, directory=directory) as lineup:
        print(json.dumps({"map": str(lineup.map_path)}), flush=True)  # noqa: T201 (see above)
        await _orders(lineup)


async def _orders(lineup: PracticeLineup) -> None:
    """Carry out orders until standard input ends; a thread reads: Windows cannot watch a pipe in a loop."""
    loop = asyncio.get_running_loop()
    lines: asyncio.Queue[str] = asyncio.Queue()

    def watch() -> None:
        for line in sys.stdin:
            loop.call_soon_threadsafe(lines.put_nowait, line)
        loop.call_soon_threadsafe(lines.put_nowait, "")

    threading.Thread(target=watch, daemon=True).start()
    hand = Hand(stage=lineup.stage, plant=lineup.plant, hosts=lineup.hosts, now=lineup.now)
    under_way: set[asyncio.Task[None]] = set()
    while line := await lines.get():
        order = json.loads(line)
        operator = Operator(hand, Mood(order["mood"]))
        task = asyncio.ensure_future(operator.act(order["act"], order["tag"]))
        under_way.add(task)
        task.add_done_callback(under_way.discard)
    for task in under_way:
        task.cancel()
