"""Measuring: what every bench needs: peak memory, a process for each work, its section of the results."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


def peak_mib() -> float:
    """Most memory that this process had; what Linux hands down through a fork does not count."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(one for one in status.read_text().splitlines() if one.startswith("VmHWM:"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def in_processes(module: str, work: str, file: Path, *, repeats: int, limit_s: float) -> list[dict[str, Any]]:
    """What ``python -m module --do work --file file`` printed as JSON in its last line, once a repeat."""
    command = [sys.executable, "-m", module, "--do", work, "--file", str(file)]
    told = []
    for _ in range(repeats):
        done = subprocess.run(
            command, capture_output=True, text=True, check=True, timeout=limit_s, cwd=HERE.parent
        )
        told.append(json.loads(done.stdout.splitlines()[-1]))
    return told


def renew(output: Path, made: str) -> None:
    """Put a section into the results, in place of the old one or behind all others.

    made: the section with its marks, comments of one line, as its first and last line.
    """
    text = output.read_text(encoding="utf-8") if output.exists() else ""
    lines = made.strip().splitlines()
    begin, end = lines[0], lines[-1]
    if begin in text and end in text:
        head, _, rest = text.partition(begin)
        whole = head + made.strip() + rest.partition(end)[2]
    else:
        whole = text.rstrip("\n") + "\n\n" + made
    output.write_text(whole, encoding="utf-8")
