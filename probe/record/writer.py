"""Writer: keeps a run in a record file while it happens (design, section 5).

What holds at any moment, also after ``kill -9``: the file is a run of whole lines, at most followed by one
cut line; no byte that was handed to the operating system is changed again. A full disk loses nothing: space
for what waits to be written and for the closing lines is held back from the start (``reserve``).
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import IO

from probe.model.errors import InputError, Problem, RecordError
from probe.model.evidence import Connect, Disconnect, Evidence, Exchange
from probe.model.finding import Cause, Expectation, Finding
from probe.record.body import cause_body, evidence_body, evidence_kind, expected_by_subject, finding_body
from probe.record.header import Header, header_body
from probe.record.hold import hold
from probe.record.line import (
    LONGEST_LINE,
    MOST_BRACKETS,
    MOST_COMMAS,
    NO_LINE,
    Plain,
    beginning,
    connect_beginning,
    digest,
    disconnect_beginning,
    evidence_lines,
    expected_line,
    finding_lines,
    forget,
    is_bearable,
    line,
)
from probe.record.reserve import RESERVE, Reserve
from probe.record.seal import Seal, seal_line
from probe.record.signing import Signer

#: Lines are handed to the operating system when so many bytes wait (or when ``flush`` is called).
WAITING = 64 * 1024
#: Lines of like kind are made so many at a time: thousands a second, and each alone costs twice.
AT_ONCE = 64
#: Space that verdicts may take of the reserve once the disk is full; the rest is for the seal.
LAST_WORDS = RESERVE - 256 * 1024


class RecordWriter:
    """A record being written; implements ``probe.collect.events.Ledger``. Use ``create``."""

    def __init__(self, path: Path, file: IO[bytes], reserve: Reserve, signer: Signer | None = None) -> None:
        self.path = path
        self._signer = signer
        self._file = file
        self._reserve = reserve
        self._waiting: list[bytes] = []
        self._waiting_size = 0
        self._unmade: list[Exchange | bytes] = []  # evidence that has a number, its line not made yet
        self._sequence = 0  # of the last line, made or not
        self._previous = NO_LINE  # hash of the last line made
        self._offset = 0  # bytes of whole lines that the operating system has
        self._written = (0, NO_LINE)  # sequence and hash of the last of them
        self._failure: Problem | None = None
        self._left_out: list[str] = []
        self._lost = 0

    @classmethod
    def create(cls, path: Path, header: Header, *, signer: Signer | None = None) -> RecordWriter:
        """A new record file with its first line on disk. Never writes over anything.

        signer: whose key seals the record; its public half goes into the head now, so that a signature can
        not be taken off later.

        Raises InputError if the file exists, or cannot be made, written or given its reserve; then nothing
        is left behind.
        """
        if signer is not None:
            header = replace(header, key=signer.public)
        first = line(1, NO_LINE, "head", header_body(header))
        if not is_bearable(first):
            raise InputError([_too_large(path, len(first))])
        file = _open_new(path)
        forget()
        try:
            writer = cls(path, file, Reserve(path.parent), signer)
            hold(path, file)
            writer._add(first)
            writer._write_out()
            os.fsync(file.fileno())
            _sync_folder(path.parent)
        except (OSError, RecordError) as error:
            _undo(path, file)
            raise InputError([_no_room(path, error)]) from error
        return writer

    @classmethod
    def behind(
        cls, path: Path, file: IO[bytes], signer: Signer | None, *, count: int, head: str, size: int
    ) -> RecordWriter:
        """A writer that goes on behind the last whole line of a file (see ``reopen``).

        count, head: number and hash of that line; size: bytes up to its end.
        """
        writer = cls(path, file, Reserve(path.parent), signer)
        writer._sequence, writer._previous, writer._offset = count, head, size
        writer._written = (count, head)
        return writer

    @property
    def key(self) -> str:
        """The public key that will sign the seal, empty for none."""
        return "" if self._signer is None else self._signer.public

    def keep(self, evidence: Evidence) -> int:
        """Write one piece of evidence; its sequence number. Raises RecordError if it cannot be kept."""
        if self._failure is not None:
            raise RecordError(self._failure)
        unmade = self._unmade
        unmade.append(evidence if type(evidence) is Exchange else _begun(evidence))
        self._sequence = sequence = self._sequence + 1
        if len(unmade) >= AT_ONCE:
            self._make()
            self._write_if_many()
        return sequence

    def expect(self, expectations: Sequence[Expectation]) -> None:
        """Write what the run must give a verdict on, and hand it to the operating system at once."""
        self._make()
        for subject, due in expected_by_subject(expectations):
            self._accept(expected_line(self._sequence + 1, self._previous, subject, due))
        self.flush()

    def conclude(self, findings: Sequence[Finding], causes: Sequence[Cause]) -> None:
        """Write the verdicts. On a full disk all of them or none; the seal's reason says which.

        None, too, when evidence could not be written: verdicts must follow from what is in the record.
        """
        if self._lost:
            self._left_out.append("no verdicts, because they would rest on those lines")
            return
        if self._failure is not None and not self._fits(findings, causes):
            self._left_out.append("no verdicts, for lack of space; they can be derived from the evidence")
            return
        self._make()
        for first in range(0, len(findings), AT_ONCE):
            some = findings[first : first + AT_ONCE]
            self._take(finding_lines(self._sequence + 1, self._previous, some))
            self._sequence += len(some)
            self._write_if_many()
        for cause in causes:
            self._add(self._line("cause", cause_body(cause)))
            self._write_if_many()
        self._write_out()

    def write(self, kind: str, body: Plain) -> int:
        """Write one line of any other kind; its number. Raises RecordError if it cannot be kept.

        Also for a line that no reader would take: what is written here may come from another record.
        """
        made = self._line(kind, body)
        if not is_bearable(made):
            raise RecordError(_line_too_large(self.path, len(made)))
        self._accept(made)
        return self._sequence

    def flush(self) -> None:
        """Hand all lines so far to the operating system. Raises RecordError if that fails."""
        self._write_out()

    def seal(self, *, complete: bool, reason: str) -> Seal:
        """Write the last line and close the file. After a failure the record is never sealed as complete.

        reason: why it is not complete, empty if it is. Raises RecordError if the seal cannot be written;
        then the lines so far stand as they are, not closed.
        """
        with contextlib.suppress(RecordError):  # the failure goes into the seal's reason below
            self._write_out()
        if self._failure is not None:
            complete = False
            reason = "; ".join(filter(None, (reason, self._failure.what, *self._left_out)))
        self._reserve.release()
        head = self._previous
        self._add(self._seal_line(head, complete=complete, reason=reason))
        try:
            self._write_out()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise RecordError(_cannot_keep(self.path, error)) from error
        finally:
            self._file.close()
        return Seal(
            count=self._sequence,
            head=head,
            complete=complete,
            reason=reason,
            code=self._previous,
            public=self.key,
        )

    def close(self) -> None:
        """Let go of the file without a seal: a record that is not closed. Nothing happens after ``seal``."""
        self._reserve.release()
        if not self._file.closed:
            with contextlib.suppress(RecordError):
                self._write_out()
            self._file.close()

    def _seal_line(self, head: str, *, complete: bool, reason: str) -> bytes:
        return seal_line(self._sequence + 1, head, complete=complete, reason=reason, signer=self._signer)

    def _line(self, kind: str, body: Plain) -> bytes:
        self._make()
        return line(self._sequence + 1, self._previous, kind, body)

    def _accept(self, made: bytes) -> None:
        """Take a line during the run; refused once something could not be written."""
        if self._failure is not None:
            raise RecordError(self._failure)
        self._add(made)
        if self._waiting_size > WAITING:
            self._write_out()

    def _make(self) -> None:
        """Make the lines of the evidence that has none yet."""
        if self._unmade:
            first = self._sequence - len(self._unmade) + 1
            self._take(evidence_lines(first, self._previous, self._unmade))
            self._unmade.clear()

    def _take(self, lines: tuple[list[bytes], str, int]) -> None:
        """Have lines wait that were made many in one go: themselves, hash of the last, size together."""
        made, previous, size = lines
        if size > MOST_BRACKETS:
            _ensure_bearable(made)
        self._previous = previous
        self._waiting += made
        self._waiting_size += size + len(made)

    def _add(self, made: bytes) -> None:
        _ensure_bearable((made,))
        self._previous = digest(made)
        self._sequence += 1
        self._waiting.append(made)
        self._waiting_size += len(made) + 1

    def _write_if_many(self) -> None:
        if self._waiting_size > WAITING:
            self._write_out()

    def _write_out(self) -> None:
        """Write all waiting lines. Raises RecordError at the first failure of the operating system."""
        self._make()
        if not self._waiting:
            return
        data = b"\n".join([*self._waiting, b""])
        try:
            self._put(data)
        except OSError as error:
            self._rescue(data, error)
            raise RecordError(self._failure or _cannot_keep(self.path, error)) from error

    def _put(self, data: bytes) -> None:
        """Write the data behind the last whole line (a torn attempt is written over)."""
        if self._file.tell() != self._offset:
            self._cut_back()
        view = memoryview(data)
        while view:
            view = view[self._file.write(view) :]
        self._offset += len(data)
        self._written = (self._sequence, self._previous)
        self._waiting.clear()
        self._waiting_size = 0

    def _rescue(self, data: bytes, error: OSError) -> None:
        """After a failure: free the reserve and try once more, else end at the last line that is written."""
        self._failure = _cannot_keep(self.path, error)
        self._reserve.release()
        try:
            self._put(data)
        except OSError:
            self._lost = len(self._waiting)
            self._left_out.append(f"the last {self._lost} lines could not be written")
            self._waiting.clear()
            self._waiting_size = 0
            self._sequence, self._previous = self._written
            with contextlib.suppress(OSError):
                self._cut_back()

    def _cut_back(self) -> None:
        """Drop the torn line that a failed attempt left behind."""
        self._file.truncate(self._offset)
        self._file.seek(self._offset)

    def _fits(self, findings: Sequence[Finding], causes: Sequence[Cause]) -> bool:
        bodies = [finding_body(finding) for finding in findings] + [cause_body(cause) for cause in causes]
        return sum(len(line(2**53, NO_LINE, "finding", body)) for body in bodies) < LAST_WORDS


def _begun(evidence: Evidence) -> bytes:
    """The line of anything but an exchange, but for what follows from the line before."""
    if type(evidence) is Connect:
        return connect_beginning(evidence)
    if type(evidence) is Disconnect:
        return disconnect_beginning(evidence)
    made = beginning(evidence_kind(evidence), evidence_body(evidence))
    _ensure_bearable((made,))
    return made


def _ensure_bearable(lines: Iterable[bytes]) -> None:
    """Raises ValueError, a defect of ours, for a line that no reader would take."""
    for made in lines:
        if len(made) > MOST_BRACKETS and not is_bearable(made):
            raise ValueError(f"a record line of {len(made)} bytes: no reader would take it")


def _open_new(path: Path) -> IO[bytes]:
    try:
        return path.open("xb", buffering=0)
    except FileExistsError as error:
        raise InputError(
            [
                Problem(
                    file=str(path),
                    what="the record file exists already; a record is never written over",
                    remedy="give another name with --record, or move the old record away",
                )
            ]
        ) from error
    except (OSError, ValueError) as error:
        raise InputError([_no_room(path, error)]) from error


def _undo(path: Path, file: IO[bytes]) -> None:
    """Remove the file that ``create`` has just made and could not fill."""
    file.close()
    with contextlib.suppress(OSError):
        path.unlink()


def _sync_folder(folder: Path) -> None:
    """Bring the new name to disk where the system can do that (not on Windows)."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):  # some network folders refuse; the file itself is safe
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


_REASONS = {
    errno.ENOENT: ("the folder does not exist", "make the folder first, or give another path with --record"),
    errno.ENOTDIR: ("a part of the path is no folder", "give another path with --record"),
    errno.EISDIR: ("the path is a folder", "give the name of a file with --record"),
    errno.EACCES: ("the folder or file may not be written", "choose a folder of your own with --record"),
    errno.EPERM: ("the system does not permit writing here", "choose a folder of your own with --record"),
    errno.EROFS: ("the disk is read-only", "choose another disk with --record"),
    errno.ENOSPC: ("the disk is full", "free space on the disk, or choose another one with --record"),
    errno.EDQUOT: ("your disk quota is used up", "free space, or choose another disk with --record"),
    errno.EFBIG: ("the file would pass the largest size allowed", "choose another disk with --record"),
    errno.ENAMETOOLONG: ("the file name is too long", "give a shorter name with --record"),
}


def _reason(error: BaseException) -> tuple[str, str]:
    number = error.errno if isinstance(error, OSError) else None
    usual = _REASONS.get(number) if number is not None else None
    return usual or (f"the system says: {error}", "choose another folder or disk with --record")


def _no_room(path: Path, error: BaseException) -> Problem:
    cause = error.__cause__ if isinstance(error, RecordError) and error.__cause__ else error
    what, remedy = _reason(cause)
    return Problem(
        file=str(path), what=f"the record cannot be started: {what}; nothing was asked yet", remedy=remedy
    )


def _cannot_keep(path: Path, error: OSError) -> Problem:
    what, _ = _reason(error)
    return Problem(
        file=str(path),
        what=f"the record cannot be continued: {what}",
        remedy="the lines written so far are safe; free space or choose another disk, and start a new run",
    )


def _line_too_large(path: Path, size: int) -> Problem:
    return Problem(
        file=str(path),
        what="a line is too long: no reader would take it",
        found=f"{size} bytes",
        allowed=f"{LONGEST_LINE} bytes, {MOST_BRACKETS} brackets and {MOST_COMMAS} commas",
    )


def _too_large(path: Path, size: int) -> Problem:
    return Problem(
        file=str(path),
        what="map and profiles are too large to stand in one record",
        found=f"{size} bytes",
        allowed=f"{LONGEST_LINE} bytes, {MOST_BRACKETS} brackets and {MOST_COMMAS} commas",
        remedy="split the map into several lineups",
    )
