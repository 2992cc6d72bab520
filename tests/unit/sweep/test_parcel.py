"""Parcels: what was packed comes out; nothing else does, and no more than a record can hold."""

from __future__ import annotations

import hashlib
import zlib
from pathlib import Path

import pytest

from probe.model.errors import RecordError
from probe.sweep import parcel


def _sha256(packed: bytes) -> str:
    return hashlib.sha256(packed).hexdigest()


def test_a_record_comes_out_as_it_was_packed(tmp_path: Path) -> None:
    source, packed, target = (tmp_path / name for name in ("a", "a.z", "b"))
    source.write_bytes(bytes(range(256)) * 4000)
    told = parcel.pack(source, packed)
    parts = [data for _, data in parcel.pieces(packed, range(parcel.count(packed)))]
    parcel.unpack(parts, told, target)
    assert target.read_bytes() == source.read_bytes()


@pytest.mark.parametrize(
    "spoil", [lambda data: data[:-1], lambda data: data[:-9] + b"x" * 9, lambda data: b""]
)
def test_what_is_not_what_was_sent_is_refused(tmp_path: Path, spoil: object) -> None:
    packed = zlib.compress(b"a record\n" * 50)
    with pytest.raises(RecordError, match="not what was sent"):
        parcel.unpack([spoil(packed)], _sha256(packed), tmp_path / "b")  # type: ignore[operator]


def test_a_parcel_that_swells_as_no_record_does_is_refused_on_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A thousand bytes for one is what zlib makes of zeros: an agent could fill the centre's disk so."""
    monkeypatch.setattr(parcel, "_ROOM", 1 << 20)
    packed = zlib.compress(bytes(30 << 20))
    with pytest.raises(RecordError, match="swell to more than"):
        parcel.unpack([packed], _sha256(packed), tmp_path / "b")
    assert (tmp_path / "b").stat().st_size < 10 << 20
