"""Faults that come and go, and the process of the lineup that has them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Self

Faults = list[dict[str, object]] | None

#: In turn, each for a sweep or two; None: nothing answers at all.
WEATHERS: tuple[tuple[str, Faults], ...] = (
    ("sound", []),
    ("sound", []),
    ("silent", [{"kind": "silent", "at": "52-F1"}]),
    ("sound", []),
    ("dead, unit dead", [{"kind": "dead", "at": "52-F2"}, {"kind": "unit-dead", "at": "52-F3"}]),
    ("resets", [{"kind": "resets", "at": "52-M1"}, {"kind": "closes-after-reply", "at": "MTR-M1"}]),
    ("sound", []),
    ("gateway down", [{"kind": "gateway-down", "at": "GW-1"}]),
    ("odd replies", [{"kind": "wrong-transaction", "at": "52-F1"}, {"kind": "cut-header", "at": "52-F2"}]),
    ("late, doubled", [{"kind": "late-reply", "at": "52-T"}, {"kind": "doubled-reply", "at": "52-M1"}]),
    ("sound", []),
    ("all off", None),
    ("gear", [{"kind": "clock-slow", "at": "52-T"}, {"kind": "maintenance-on", "at": "52-F4"}]),
    ("lossy", [{"kind": "lossy", "at": "52-F2"}, {"kind": "crumbled", "at": "52-F1"}]),
)


def weather(number: int) -> tuple[str, Faults]:
    """Name and faults of the sweep of that number."""
    return WEATHERS[number % len(WEATHERS)]


class Gear:
    """The lineup's process. It ends with the block."""

    def __init__(self, folder: Path, port: int) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "bench.soak_gear", str(folder), str(port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[1],
        )
        self.map = folder / "map.yaml"

    def __enter__(self) -> Self:
        return self

    def set(self, faults: Faults) -> None:
        """Have these faults and no others; in force when this returns. Raises RuntimeError."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(faults) + "\n")
        self._process.stdin.flush()
        if not self._process.stdout.readline():
            raise RuntimeError("the lineup's process has ended")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()
        self._process.wait(10)
