"""A capture as bytes, read from a file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from probe.model.capture import CaptureFigures
from probe.wire.capture.reading import read_capture


@pytest.fixture
def figures(tmp_path: Path) -> Callable[[bytes], CaptureFigures]:
    """The figures of a file with these bytes."""

    def read(data: bytes) -> CaptureFigures:
        path = tmp_path / "capture.pcapng"
        path.write_bytes(data)
        return read_capture(path)

    return read
