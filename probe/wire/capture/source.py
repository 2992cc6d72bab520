"""Bytes of a capture file, plain or compressed with gzip, read straight into the kernel's room."""

from __future__ import annotations

import io
import zlib
from pathlib import Path
from typing import Protocol

_GZIP = b"\x1f\x8b"
_CHUNK = 1 << 18


class Source(Protocol):
    """read: fills the view from its start; 0 at the end. done: bytes of the file that were used."""

    done: int
    compressed: bool
    cut: bool

    def read(self, view: memoryview) -> int:
        """Bytes put into the view."""
        ...

    def close(self) -> None:
        """Close the file."""
        ...


class Plain:
    """A file as it is."""

    def __init__(self, file: io.RawIOBase) -> None:
        self._file = file
        self.done = 0
        self.compressed = False
        self.cut = False

    def read(self, view: memoryview) -> int:
        """Bytes put into the view."""
        count = self._file.readinto(view) or 0
        self.done += count
        return count

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class Gzip:
    """A file compressed with gzip, of one or more members. cut: it ended inside one, or is damaged there."""

    def __init__(self, file: io.RawIOBase) -> None:
        self._file = file
        self._unpack = zlib.decompressobj(wbits=31)
        self._rest = b""
        self.done = 0
        self.compressed = True
        self.cut = False

    def read(self, view: memoryview) -> int:
        """Bytes put into the view; what a bomb unpacks to is never held at once."""
        while not self.cut:
            try:
                if self._unpack.eof and not self._next_member():
                    return 0
                data = self._rest or self._chunk()
                if not data:
                    self.cut = True
                    return 0
                part = self._unpack.decompress(data, len(view))
            except zlib.error:
                self.cut = True
                return 0
            self._rest = self._unpack.unconsumed_tail or self._unpack.unused_data
            if part:
                view[: len(part)] = part
                return len(part)
        return 0

    def _next_member(self) -> bool:
        """Whether another member follows; zeros between two are padding, anything else is damage."""
        rest = self._rest.lstrip(b"\0")
        while len(rest) < len(_GZIP) and (chunk := self._chunk()):
            rest = (rest + chunk).lstrip(b"\0")  # the two bytes of its beginning may lie in two chunks
        self._rest = rest
        self.cut = bool(rest) and not rest.startswith(_GZIP)
        self._unpack = zlib.decompressobj(wbits=31) if rest and not self.cut else self._unpack
        return bool(rest) and not self.cut

    def _chunk(self) -> bytes:
        data = self._file.read(_CHUNK) or b""
        self.done += len(data)
        return data

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def open_source(path: Path) -> Source:
    """The file's bytes, unpacked where they are compressed. Raises OSError."""
    file = io.FileIO(path)
    head = file.read(2)
    file.seek(0)
    return Gzip(file) if head == _GZIP else Plain(file)
