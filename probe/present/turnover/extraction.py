"""Extraction: the files inside a document of ours, without a library for PDF.

It reads just the form that our typesetter writes. That is enough: whether the pages are genuine is proved by
making the document again and comparing every byte, so a file that fools this reader proves nothing.
"""

from __future__ import annotations

import re
import zlib

#: Bytes that one enclosed file may have when it is unpacked.
LARGEST = 1 << 30

_SPEC = re.compile(rb"<</Type/Filespec/F\(([A-Za-z0-9._-]{1,120})\)/UF\([^)]*\)/EF<</F (\d{1,9}) 0 R")
_OBJECT = re.compile(
    rb"\n(\d{1,9}) 0 obj\n<</Length (\d{1,12})/Type/EmbeddedFile(/Filter/FlateDecode)?"
    rb"[^\n]{0,300}>>\nstream\r?\n"
)


class NotOursError(ValueError):
    """The file is no document of this tool, or it was written anew by another program; the text says so."""


def enclosed_files(data: bytes) -> dict[str, bytes]:
    """The enclosed files by name. Raises NotOursError."""
    if not data.startswith(b"%PDF-"):
        raise NotOursError("it is no PDF file")
    places = {int(m[1]): (m.end(), int(m[2]), m[3] is not None) for m in _OBJECT.finditer(data)}
    found = {}
    for spec in _SPEC.finditer(data):
        place = places.get(int(spec[2]))
        if place is None:
            raise NotOursError(f"the enclosed file {spec[1].decode()} is not where the document says")
        found[spec[1].decode()] = _unpacked(data, *place)
    if not found:
        raise NotOursError("no enclosed files were found as this tool writes them")
    return found


def _unpacked(data: bytes, start: int, length: int, packed: bool) -> bytes:
    raw = data[start : start + length]
    if len(raw) != length:
        raise NotOursError("the file ends within an enclosed file")
    if not packed:
        return raw
    engine = zlib.decompressobj()
    try:
        whole = engine.decompress(raw, LARGEST)
    except zlib.error as error:
        raise NotOursError(f"an enclosed file is damaged: {error}") from error
    if not engine.eof:
        raise NotOursError("an enclosed file is damaged or too large")
    return whole
