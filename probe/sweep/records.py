"""Record store: a folder of sealed records, each found by the code of its last line.

A record is put in by a rename within the folder, so that it is there whole or not at all; what is there is
never written again.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

SUFFIX = ".audit.jsonl"
CODE_LETTERS = 16  # of the code in the file's name


class RecordStore:
    """Records under one folder: ``<site>.<lineup>/<year>/<start>-<code>.audit.jsonl``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, file: Path, *, site: str, lineup: str, started_ns: int, code: str) -> Path:
        """Take the file in (it is moved); where it lies now. The same record twice is kept once."""
        known = self.find(code)
        if known is not None:
            file.unlink()
            return known
        began = datetime.fromtimestamp(started_ns // 10**9, UTC)
        name = re.sub(r"[^A-Za-z0-9._-]+", "-", f"{site}.{lineup}").strip("-.")[:100] or "lineup"
        folder = self.folder / name / f"{began:%Y}"
        folder.mkdir(parents=True, exist_ok=True)
        target = folder / f"{began:%Y%m%dT%H%M%SZ}-{code[:CODE_LETTERS]}{SUFFIX}"
        partial = target.with_name(target.name + ".part")
        shutil.move(file, partial)
        partial.replace(target)
        return target

    def find(self, code: str) -> Path | None:
        """The record with this code, None if it is not there."""
        return next(self.folder.rglob(f"*-{code[:CODE_LETTERS]}{SUFFIX}"), None)

    def all(self) -> Iterator[Path]:
        """Every record, in the order of names."""
        yield from sorted(self.folder.rglob(f"*{SUFFIX}"))

    def incoming(self, name: str) -> Path:
        """A name for a record that is being written, on the same disk."""
        folder = self.folder / "incoming"
        folder.mkdir(parents=True, exist_ok=True)
        return folder / f"{name}{SUFFIX}"
