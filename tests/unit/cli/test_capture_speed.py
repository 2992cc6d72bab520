"""Speeds and sizes as typed: what is beyond all reason is refused like any other."""

from __future__ import annotations

import pytest

from probe.cli.capture_speed import bits_a_second, bytes_of
from probe.model.errors import InputError


@pytest.mark.parametrize(
    ("text", "bits"), [("", 0), ("10M", 10_000_000), ("1.5 Gbps", 1_500_000_000), ("100kbit/s", 100_000)]
)
def test_speeds(text: str, bits: int) -> None:
    assert bits_a_second(text) == bits


@pytest.mark.parametrize(("text", "size"), [("", 0), ("4096", 4096), ("500k", 512_000), ("2 GiB", 2 << 30)])
def test_sizes(text: str, size: int) -> None:
    assert bytes_of(text, "--size") == size


@pytest.mark.parametrize("text", ["1", "fast", "-10M", "1e9", "99T", "9" * 400 + "G", "9" * 400])
def test_what_is_none_is_refused(text: str) -> None:
    """Found by fuzzing: four hundred digits were a traceback."""
    with pytest.raises(InputError, match="no speed"):
        bits_a_second(text)
    with pytest.raises(InputError, match="no size"):
        bytes_of(text, "--size")
