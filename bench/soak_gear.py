"""The practice lineup of the soak, in a process of its own; faults come and go as it is told.

    python -m bench.soak_gear FOLDER PORT

One JSON list of faults a line on standard input (``null``: everything is switched off), one line of JSON back
when that is so: the map's path. The ports stay the same, so the map does. Ends with its standard input.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from pathlib import Path

from probe.practice.fault import Fault
from probe.practice.lineup import MAP_NAME, practice
from probe.practice.scenario import Scenario, small_scenario

DEVICES = ("52-M1", "52-F1", "52-F2", "52-F3", "52-F4", "52-T", "MTR-M1", "MTR-F4", "UPS-1")


def scenario_of(faults: list[dict[str, object]]) -> Scenario:
    """The lineup with these faults."""
    return small_scenario(DEVICES, [Fault(**one) for one in faults])  # type: ignore[arg-type]


async def serve(folder: Path, port: int) -> None:
    """Do as told, line after line."""
    line = sys.stdin.readline()
    while line:
        faults = json.loads(line)
        if faults is None:
            print(json.dumps({"map": str(folder / MAP_NAME)}), flush=True)
            line = await asyncio.to_thread(sys.stdin.readline)
            continue
        async with practice(scenario_of(faults), directory=folder, base_port=port) as lineup:
            print(json.dumps({"map": str(lineup.map_path)}), flush=True)
            line = await asyncio.to_thread(sys.stdin.readline)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    asyncio.run(serve(Path(sys.argv[1]), int(sys.argv[2])))
