"""Photographs of a record that lie beside it: those whose bytes are the very ones that the record names."""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from probe.model.evidence import OperatorAnswer
from probe.model.photograph import Photograph, photograph_of
from probe.present.turnover.making import NamedBytes
from probe.record.content import RecordContent

#: Bytes of all photographs together that a document carries; more would not fit its memory.
MOST_BYTES = 64 * 1024 * 1024


class Photographs(NamedTuple):
    """What of a record's photographs can be enclosed, and the names of those that cannot."""

    found: tuple[NamedBytes, ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def note(self) -> str:
        """What to tell of those that cannot, empty if there is none."""
        if not self.missing:
            return ""
        more = f" and {len(self.missing) - 5} more" if len(self.missing) > 5 else ""
        return (
            f"not enclosed: {', '.join(self.missing[:5])}{more}; not beside the record with the bytes that "
            f"it names, or more than {MOST_BYTES // 1024**2} MiB together"
        )


def beside(record: Path, content: RecordContent, known: Iterable[NamedBytes]) -> Photographs:
    """The photographs to enclose, each once. known: what is enclosed already."""
    held = {hashlib.sha256(one.data).hexdigest() for one in known}
    found: list[NamedBytes] = []
    missing: list[str] = []
    room = MOST_BYTES
    for photo, about in _named(content).items():
        if photo.sha256 in held:
            continue
        data = _bytes_of(record.parent, photo, room)
        if data is None:
            missing.append(photo.name)
            continue
        held.add(photo.sha256)
        room -= len(data)
        found.append(NamedBytes(name=photo.name, data=data, title=about))
    return Photographs(tuple(found), tuple(missing))


def _named(content: RecordContent) -> dict[Photograph, str]:
    """The photographs that the record names, with what each shows."""
    return {
        photograph_of(answer): " ".join(filter(None, ("Photograph", answer.item, answer.tag)))
        for _, answer in content.evidence.get(OperatorAnswer, ())
        if answer.topic == "photograph"
    }


def _bytes_of(folder: Path, photo: Photograph, room: int) -> bytes | None:
    """The file's bytes if they are the ones meant. A name never leads out of the folder."""
    if not photo.name or photo.name in (".", "..") or set(photo.name) & set("/\\:\0"):
        return None
    try:
        found = (folder / photo.name).stat()
        if not stat.S_ISREG(found.st_mode) or found.st_size > room:
            return None
        data = (folder / photo.name).read_bytes()
    except (OSError, ValueError):
        return None
    return data if hashlib.sha256(data).hexdigest() == photo.sha256 else None
