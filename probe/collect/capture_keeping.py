"""Whether a capture is still the file that was recorded: its hash against the record beside it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from pathlib import Path

from probe.model.capture_evidence import CaptureFile

#: The number that a file of a ring has behind its name.
_RING = re.compile(r"-\d{5}$")


def record_beside(capture: Path) -> Path | None:
    """The record that ``capture take`` made of this file, None if there is none in its folder."""
    stem = capture.name.removesuffix(".gz").rpartition(".")[0] or capture.name
    for name in dict.fromkeys((stem, _RING.sub("", stem))):
        record = capture.with_name(f"{name}.audit.jsonl")
        if record.is_file():
            return record
    return None


def noted_hash(capture: Path, files: Callable[[], tuple[CaptureFile, ...]]) -> str:
    """SHA-256 that the record has for the file, empty if it does not know it. files: those of the record."""
    return next((one.sha256 for one in files() if one.file == capture.name), "")


def found_hash(capture: Path) -> str:
    """SHA-256 of the file as it is. Raises OSError."""
    with capture.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
