"""Packed: compressed copies of records (gzip, zstd), read as a stream as if they were the record.

What a file is, its first bytes say, not its name. A copy that is damaged ends where the damage begins;
``trouble`` then says why. The record is what is inside: hashes and line numbers never see the packing.

zstd comes with Python from 3.14 on; before that it needs the library ``zstandard``.
"""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from probe.model.errors import InputError, Problem

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

GZIP, ZSTD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"
#: Bytes handed on at a time.
CHUNK = 256 * 1024


class Unpacked(io.RawIOBase):
    """The inside of a packed file; can be read through and begun again, no other seeking.

    trouble: "" unless the packing was found damaged; then the stream ended there.
    """

    def __init__(self, begin: Callable[[], Any], errors: tuple[type[Exception], ...]) -> None:
        """begin: opens the stream at its start (Any: the libraries' streams share no type)."""
        super().__init__()
        self._begin = begin
        self._errors = errors
        self._stream = begin()
        self._place = 0
        self.trouble = ""

    def readable(self) -> bool:
        """True."""
        return True

    def seekable(self) -> bool:
        """True, to the start."""
        return True

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Fill the buffer; 0 at the end, or where the packing is damaged."""
        view = memoryview(buffer)
        if self.trouble or not view.nbytes:
            return 0
        try:
            data = self._stream.read1(view.nbytes)  # what came before damage is handed on
        except self._errors as error:
            self.trouble = str(error) or type(error).__name__
            return 0
        view[: len(data)] = data
        self._place += len(data)
        return len(data)

    def tell(self) -> int:
        """Bytes handed out since the start."""
        return self._place

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        """Begin again. Raises OSError for any other place."""
        if whence == io.SEEK_CUR and offset == 0:
            return self._place
        if (offset, whence) != (0, io.SEEK_SET):
            raise OSError("a packed record can only be begun again")
        self._stream.close()
        self._stream = self._begin()
        self._place, self.trouble = 0, ""
        return 0

    def close(self) -> None:
        """Let go of the file."""
        if not self.closed:
            self._stream.close()
        super().close()


def unpacked(path: Path) -> IO[bytes]:
    """The record in the file, plain or packed. Raises OSError, InputError if it cannot be unpacked here."""
    file = path.open("rb")
    start = file.read(4)
    file.seek(0)
    if not start.startswith((GZIP, ZSTD)):
        return file
    file.close()
    if start.startswith(GZIP):
        raw = Unpacked(lambda: gzip.GzipFile(path), (OSError, EOFError, zlib.error))
    else:
        raw = _zstd(path)
    return io.BufferedReader(raw, CHUNK)


def is_packed(file: IO[bytes]) -> bool:
    """Whether what ``unpacked`` opened is a packed copy."""
    return isinstance(getattr(file, "raw", None), Unpacked)


def trouble_of(file: IO[bytes]) -> str:
    """Why a packed file could not be read to its end, "" if it could (or is not packed)."""
    raw = getattr(file, "raw", None)
    return raw.trouble if isinstance(raw, Unpacked) else ""


def pack(source: Path, target: IO[bytes], how: str) -> None:
    """Write the file packed into target. how: ``gz`` or ``zst``. Raises OSError, InputError."""
    with unpacked(source) as file:
        if how == "gz":
            # No name and no time inside: the same record always gives the same copy.
            with gzip.GzipFile(filename="", mode="wb", fileobj=target, mtime=0) as packed:
                _pour(file, packed.write)
            return
        packer, finish = _zstd_packer(source)
        _pour(file, lambda data: target.write(packer(data)))
        target.write(finish())


def _pour(file: IO[bytes], write: Callable[[bytes], Any]) -> None:
    while data := file.read(CHUNK):
        write(data)
    if why := trouble_of(file):
        raise OSError(f"the packed file is damaged: {why}")


def _zstd(path: Path) -> Unpacked:
    try:
        from compression import zstd  # type: ignore[import-not-found,unused-ignore] # Python 3.14
    except ImportError:
        zstandard = _library(path)

        def begin() -> Any:
            file = path.open("rb")
            return zstandard.ZstdDecompressor().stream_reader(file, read_across_frames=True)

        return Unpacked(begin, (OSError, EOFError, zstandard.ZstdError))
    return Unpacked(lambda: zstd.open(path, "rb"), (OSError, EOFError, zstd.ZstdError))


def _zstd_packer(path: Path) -> tuple[Callable[[bytes], bytes], Callable[[], bytes]]:
    """What packs a piece, and what gives the end."""
    try:
        from compression import zstd  # type: ignore[import-not-found,unused-ignore] # Python 3.14
    except ImportError:
        packer: Any = _library(path).ZstdCompressor(level=10).compressobj()
    else:
        packer = zstd.ZstdCompressor(level=10)
    return packer.compress, packer.flush


def _library(path: Path) -> Any:
    """The zstandard library. Raises InputError that says how to get it."""
    try:
        import zstandard
    except ImportError as error:
        raise InputError(
            [
                Problem(
                    file=str(path),
                    what="zstd needs Python 3.14, or the library zstandard beside this program",
                    remedy="unpack the file with a program of your own (unzstd), or install buswitness[zstd]",
                )
            ]
        ) from error
    return zstandard
