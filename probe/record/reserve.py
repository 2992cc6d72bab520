"""Reserve: disk space held back while a record is written, so that a full disk can still close it."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from typing import IO

#: What is held back, bytes: the lines that wait to be written, the closing lines, and the seal.
RESERVE = 1024 * 1024


class Reserve:
    """A nameless file that fills space until it is released.

    A temporary file needs no clearing up: the operating system drops it with the process, however that
    ends, and the record itself holds no padding. Its bytes look random, so that a file system that
    compresses cannot make the space vanish.
    """

    def __init__(self, folder: Path, size: int = RESERVE) -> None:
        """Take the space. Raises OSError if there is not so much."""
        self._file: IO[bytes] | None = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115
        try:
            _fill(self._file, hashlib.shake_128(b"reserve").digest(size))
            os.fsync(self._file.fileno())
        except OSError:
            self.release()
            raise

    def release(self) -> None:
        """Give the space back; nothing happens the second time. Never raises."""
        file, self._file = self._file, None
        if file is None:
            return
        try:
            file.close()
        except OSError:
            return


def _fill(file: IO[bytes], data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[file.write(view) :]
