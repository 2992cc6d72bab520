"""Record store: a folder of sealed records, each found by the code of its last line.

A record is put in by a rename within the folder, so that it is there whole or not at all; what is there is
never written again. ``stored_records`` adds a store that the records go to from here.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from probe.model.errors import Problem, RecordError
from probe.record.verify import verify

SUFFIX = ".audit.jsonl"
CODE_LETTERS = 16  # of the code in the file's name
CODE = re.compile(r"[0-9a-f]{6,64}")
INCOMING, COPIES = "incoming", "copies"  # being written; delivered, and kept for a while


class KeptRecord(NamedTuple):
    """A record that is kept. name: for people. file: where it lies here; None if a store alone has it.

    code: what is known of it without opening it: its first letters for a file.
    """

    name: str
    code: str
    file: Path | None = None


class Delivery(NamedTuple):
    """What a round of delivery did. sent: records that the store has now; waiting: those that stay here.

    trouble: why, empty if nothing waits. held_up: True if it is the store's, so that no other could be sent.
    """

    sent: int = 0
    waiting: int = 0
    trouble: str = ""
    held_up: bool = False


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
        try:
            file.rename(target)
        except OSError:  # from another disk: whole under its name before the other one goes
            partial = target.with_name(target.name + ".part")
            shutil.copyfile(file, partial)
            partial.replace(target)
            file.unlink()
        return target

    def find(self, code: str) -> Path | None:
        """The record with this code (or these first letters of it) here, None if it is not."""
        found = self.folder.rglob(f"*-{code[:CODE_LETTERS]}*{SUFFIX}")
        return next((one for one in found if self._is_kept(one)), None)

    def all(self) -> Iterator[Path]:
        """Every record here, in the order of names; copies of what a store has are not counted."""
        found = (one for one in sorted(self.folder.rglob(f"*{SUFFIX}")) if self._is_kept(one))
        yield from (one for one in found if one.relative_to(self.folder).parts[0] != COPIES)

    def incoming(self, name: str) -> Path:
        """A name for a record that is being written, on the same disk."""
        folder = self.folder / INCOMING
        folder.mkdir(parents=True, exist_ok=True)
        return folder / f"{name}{SUFFIX}"

    def kept(self) -> Iterator[KeptRecord]:
        """Every record, wherever it is kept, in about the order of time."""
        yield from (KeptRecord(str(one), code_in(one), one) for one in self.all())

    @contextmanager
    def opened(self, record: KeptRecord, *, checked: bool = True) -> Iterator[Path]:
        """The record as a file that holds what its code says. Raises RecordError if it does not, or is gone.

        checked: False where the caller proves the lines itself.
        """
        assert record.file is not None
        if checked:
            self.ensure_is(whole_code(record.file, record.name), record)
        yield record.file

    def by_code(self, code: str) -> KeptRecord:
        """The record with this code, or the one whose code begins so. Raises RecordError."""
        found = self.find(code) if CODE.fullmatch(code) else None
        if found is None:
            raise RecordError(no_such_record(code, str(self.folder)))
        return KeptRecord(str(found), code, found)

    def ensure_ready(self) -> None:
        """Raises InputError if records could not be kept as the fleet says; asks no network."""

    def address(self, code: str) -> str | None:
        """Where a record that is not here any more is kept, for people; None if nowhere."""
        return None

    def deliver(self) -> Delivery:
        """Bring what waits to where it belongs. A folder is where it belongs."""
        return Delivery()

    def waiting(self) -> int:
        """So many records wait to be delivered."""
        return 0

    def _is_kept(self, file: Path) -> bool:
        return file.relative_to(self.folder).parts[0] != INCOMING

    @staticmethod
    def ensure_is(code: str, record: KeptRecord) -> None:
        """Raises RecordError if a record with this code is not the one that is meant."""
        if not code.startswith(record.code):
            what = "this is another record than its name says"
            raise RecordError(Problem(file=record.name, what=what, found=code, allowed=f"code {record.code}"))


def whole_code(file: Path, name: str = "") -> str:
    """Code of the record, if each line of the file follows from the one before. Raises RecordError."""
    told = verify(file)
    if told.unchanged is not True:
        what = "the record is not as it was written"
        raise RecordError(Problem(file=name or str(file), what=what, found=told.text))
    return told.head


def code_in(file: Path) -> str:
    """First letters of the record's code, from the file's name; empty if it has another name."""
    found = re.search(r"-([0-9a-f]{16})$", file.name.removesuffix(SUFFIX))
    return found.group(1) if found else ""


def no_such_record(code: str, where: str) -> Problem:
    """For a code that nothing here has."""
    return Problem(
        file=where,
        what="there is no record with this code",
        found=code,
        allowed="a code as `sweep status --json` shows it, or at least six of its first letters",
        remedy="if it was kept, ask who looks after the records what became of it",
    )
