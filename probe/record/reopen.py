"""Reopen: go on with a record that was not closed: after lunch, or after a crash.

Nothing that is in the file is rewritten. Lines are added behind the last whole one; a line that a crash cut
in half is taken off first, and what stood there is said in a note. A sealed record stays what it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from probe.model.errors import InputError, Problem
from probe.record.content import RecordContent, load
from probe.record.hold import hold
from probe.record.reader import open_record, raw_lines
from probe.record.signing import Signer, fingerprint
from probe.record.writer import RecordWriter


@dataclass(frozen=True, slots=True, kw_only=True)
class Reopened:
    """writer: goes on behind the last line. content: what the record held. dropped: bytes of half a line."""

    writer: RecordWriter
    content: RecordContent
    dropped: bytes


def reopen(path: Path, signer: Signer | None) -> Reopened:
    """The record, ready to be gone on with. signer: must have the key that the record's head names.

    Raises InputError if it is closed, in use, packed or not ours to go on with, RecordError if it is damaged.
    """
    content = load(path)
    if content.seal is not None:
        what = "this record is closed; a sealed record is never gone on with"
        raise InputError([Problem(file=str(path), what=what, remedy="begin a new one from the map")])
    if content.findings:
        what = "this record was cut while it was being closed: its verdicts stand in it already"
        raise InputError([Problem(file=str(path), what=what, remedy="begin a new one from the map")])
    _check_key(path, content, signer)
    with open_record(path) as read:
        whole = sum(len(raw.data) + 1 for raw, _ in zip(raw_lines(read), range(content.count), strict=False))
    file = _open(path)
    try:
        hold(path, file)
        file.seek(whole)
        dropped = file.read()
        file.truncate(whole)
        file.seek(whole)
    except BaseException:
        file.close()
        raise
    writer = RecordWriter.behind(path, file, signer, count=content.count, head=content.code, size=whole)
    return Reopened(writer=writer, content=content, dropped=dropped)


def _check_key(path: Path, content: RecordContent, signer: Signer | None) -> None:
    key = content.header.key
    own = "" if signer is None else signer.public
    if key == own:
        return
    raise InputError(
        [
            Problem(
                file=str(path),
                what="the record was begun with another signing key than this computer would close it with",
                found=f"key {fingerprint(own)}" if own else "no key",
                allowed=f"key {fingerprint(key)}" if key else "no key (--no-sign)",
                remedy="go on where it was begun, or with the key that began it",
            )
        ]
    )


def _open(path: Path) -> IO[bytes]:
    try:
        return path.open("r+b", buffering=0)
    except OSError as error:
        remedy = "copy it to a folder of your own"
        what = f"the record cannot be written to: {error.strerror or error}"
        raise InputError([Problem(file=str(path), what=what, remedy=remedy)]) from error


def last_instant_ns(content: RecordContent) -> int:
    """The latest instant of the run that the record tells of, nanoseconds."""
    pieces = (piece for items in content.evidence.values() for _, piece in items[-200:])
    return max((at_ns for piece in pieces for at_ns in _instants(piece)), default=0)


def _instants(piece: Any) -> list[int]:
    """Times of the run in any piece of evidence (Any: they differ in type)."""
    names = ("at_ns", "sent_ns", "received_ns")
    return [int(getattr(piece, name)) for name in names if hasattr(piece, name)]
