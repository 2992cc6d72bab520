"""Journal of an agent: what it began, what came of it, what is still to be delivered. Files in a folder.

An entry is written before gear is touched, and replaced as a whole, so that a kill at any moment leaves it
readable: begun -> over -> delivered -> gone. A start that the journal knows is never begun again.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from probe.history.slot_book import SlotState
from probe.sweep.whole_file import put

BEGUN, OVER, DELIVERED = "begun", "over", "delivered"
SUFFIX = ".start.json"


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
        if not path.exists():
            _write(path, secrets.token_hex(16))
        return path.read_text(encoding="ascii")

    def entries(self) -> Iterator[Entry]:
        """All entries, the earliest start first."""
        found = [Entry(**json.loads(path.read_text("utf-8"))) for path in self.folder.glob(f"*{SUFFIX}")]
        yield from sorted(found, key=lambda entry: (entry.due_ns, entry.sweep))

    def find(self, sweep: str, due_ns: int) -> Entry | None:
        """The entry of a start."""
        path = self.folder / f"{sweep}-{due_ns}{SUFFIX}"
        return Entry(**json.loads(path.read_text("utf-8"))) if path.exists() else None

    def write(self, entry: Entry) -> Entry:
        """Write the entry as it is now; on the disk when this returns."""
        _write(self.folder / f"{entry.name}{SUFFIX}", json.dumps(entry._asdict()))
        return entry

    def drop(self, entry: Entry) -> None:
        """Forget the entry and what is left of its files."""
        for path in (self.record(entry), self.packed(entry), self.folder / f"{entry.name}{SUFFIX}"):
            path.unlink(missing_ok=True)

    def record(self, entry: Entry) -> Path:
        """Where the record of the start is written."""
        return self.folder / f"{entry.name}.audit.jsonl"

    def packed(self, entry: Entry) -> Path:
        """The record as it is sent."""
        return self.folder / f"{entry.name}.z"


def _write(path: Path, content: str) -> None:
    partial = path.with_name(path.name + ".part")
    with partial.open("w", encoding="utf-8") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    put(partial, path)
