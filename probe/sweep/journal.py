"""Journal of an agent: what it began, what came of it, what is still to be delivered. Files in a folder.

An entry is written before gear is touched, and replaced as a whole, so that a kill at any moment leaves it
readable: begun -> over -> delivered -> gone. A start that the journal knows is never begun again. What a disk
or a hand has spoilt is taken for begun: the next agent takes it up like the run of one that died.
"""

from __future__ import annotations

import json
import os
import re
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from probe.history.slot_book import SlotState
from probe.sweep.whole_file import put

BEGUN, OVER, DELIVERED = "begun", "over", "delivered"
SUFFIX = ".start.json"
_TOKEN = re.compile(rb"[0-9a-f]{32}")
_NAME = re.compile(r"(.+)-(-?\d{1,19})")


class Entry(NamedTuple):
    """One start at this agent. begun_ns: by the clock of this computer; stage: begun, over or delivered."""

    sweep: str
    due_ns: int
    job_id: int
    begun_ns: int
    stage: str = BEGUN
    state: str = SlotState.RUNNING.value
    why: str = ""
    exit_code: int | None = None

    @property
    def name(self) -> str:
        """Name of its files."""
        return f"{self.sweep}-{self.due_ns}"


class Journal:
    """The journal in a folder, for one process."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder

    def token(self) -> str:
        """A name of this installation that nobody else has; made once."""
        path = self.folder / "token"
        if not (path.exists() and _TOKEN.fullmatch(path.read_bytes())):
            _write(path, secrets.token_hex(16))
        return path.read_text(encoding="ascii")

    def entries(self) -> Iterator[Entry]:
        """All entries, the earliest start first."""
        found = [entry for path in self.folder.glob(f"*{SUFFIX}") if (entry := _read(path)) is not None]
        yield from sorted(found, key=lambda entry: (entry.due_ns, entry.sweep))

    def find(self, sweep: str, due_ns: int) -> Entry | None:
        """The entry of a start."""
        path = self.folder / f"{sweep}-{due_ns}{SUFFIX}"
        return _read(path) if path.exists() else None

    def write(self, entry: Entry) -> Entry:
        """Write the entry as it is now; on the disk when this returns."""
        _write(self.folder / f"{entry.name}{SUFFIX}", json.dumps(entry._asdict()))
        return entry

    def drop(self, entry: Entry) -> None:
        """Forget the entry and what is left of its files."""
        record = self.record(entry)
        told = record.with_suffix(".log")  # what the audit told, if nobody lived to read it
        for path in (record, told, self.packed(entry), self.folder / f"{entry.name}{SUFFIX}"):
            path.unlink(missing_ok=True)

    def record(self, entry: Entry) -> Path:
        """Where the record of the start is written."""
        return self.folder / f"{entry.name}.audit.jsonl"

    def packed(self, entry: Entry) -> Path:
        """The record as it is sent."""
        return self.folder / f"{entry.name}.z"


def _read(path: Path) -> Entry | None:
    """The entry in the file; begun, as its name tells, if it is spoilt. None if its name tells nothing."""
    name = _NAME.fullmatch(path.name.removesuffix(SUFFIX))
    if name is None:
        return None
    sweep, due_ns = name[1], int(name[2])
    try:
        entry = Entry(**json.loads(path.read_bytes()))
        if _is_sound(entry) and (entry.sweep, entry.due_ns) == (sweep, due_ns):
            return entry
    except (ValueError, TypeError, RecursionError):
        pass
    return Entry(sweep, due_ns, job_id=0, begun_ns=0)


def _is_sound(entry: Entry) -> bool:
    numbers = (entry.due_ns, entry.job_id, entry.begun_ns, entry.exit_code or 0)
    return (
        all(type(one) is int and abs(one) < 1 << 63 for one in numbers)
        and all(isinstance(one, str) for one in (entry.sweep, entry.why))
        and entry.stage in (BEGUN, OVER, DELIVERED)
        and entry.state in list(SlotState)
    )


def _write(path: Path, content: str) -> None:
    partial = path.with_name(path.name + ".part")
    with partial.open("w", encoding="utf-8") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    put(partial, path)
