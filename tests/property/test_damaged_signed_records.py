"""No damage to a signed, an accepting or a merged record goes unseen: each byte, each line, each order."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.record.damage import Damage
from probe.record.verify import Verification, verify

RECORDS = Path(__file__).parents[1] / "records"
SIGNED = (RECORDS / "format-1-signed.audit.jsonl").read_bytes()
ACCEPTED = (RECORDS / "format-1-accepted.audit.jsonl").read_bytes()
MERGED = (RECORDS / "format-1-merged.audit.jsonl").read_bytes()
SAMPLES = {"signed": SIGNED, "accepted": ACCEPTED, "merged": MERGED}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damaged")


def _verify(folder: Path, data: bytes) -> Verification:
    path = folder / "damaged.audit.jsonl"
    path.write_bytes(data)
    return verify(path)


def _missed(folder: Path, sample: bytes, step: int) -> list[int]:
    """Places where a changed bit was not seen."""
    data, missed = bytearray(sample), []
    for place in range(0, len(data), step):
        data[place] ^= 1 << (place % 8)
        if _verify(folder, bytes(data)).holds:
            missed.append(place)
        data[place] ^= 1 << (place % 8)
    return missed


@pytest.mark.parametrize("name", SAMPLES)
def test_the_samples_hold(folder: Path, name: str) -> None:
    assert _verify(folder, SAMPLES[name]).holds


def test_every_changed_byte_of_a_signed_record_is_found(folder: Path) -> None:
    assert _missed(folder, SIGNED, 1) == []


def test_every_changed_byte_of_an_acceptance_is_found(folder: Path) -> None:
    assert _missed(folder, ACCEPTED, 1) == []


def test_changed_bytes_all_over_a_merged_record_are_found(folder: Path) -> None:
    """Each fifth byte: every line of the records inside is hit many times."""
    assert _missed(folder, MERGED, 5) == []


@pytest.mark.parametrize("name", SAMPLES)
def test_every_line_removed_doubled_or_swapped_is_found(folder: Path, name: str) -> None:
    lines = SAMPLES[name].splitlines(keepends=True)
    for place in range(len(lines)):
        removed = lines[:place] + lines[place + 1 :]
        doubled = [*lines[:place], lines[place], *lines[place:]]
        swapped = list(lines)
        swapped[place - 1], swapped[place] = swapped[place], swapped[place - 1]
        for damaged in (removed, doubled, swapped):
            assert not _verify(folder, b"".join(damaged)).holds, place


@pytest.mark.parametrize("name", SAMPLES)
def test_every_cut_is_found(folder: Path, name: str) -> None:
    data = SAMPLES[name]
    for size in range(0, len(data), 7 if name == "merged" else 3):
        assert not _verify(folder, data[:size]).holds, size


@given(text=st.text(alphabet="0123456789abcdefABCDEF", min_size=128, max_size=128))
@settings(max_examples=100, deadline=None)
def test_no_other_signature_is_taken(folder: Path, text: str) -> None:
    at = SIGNED.rindex(b'"signature":"') + 13
    if SIGNED[at : at + 128] != text.encode():
        found = _verify(folder, SIGNED[:at] + text.encode() + SIGNED[at + 128 :])
        assert not found.holds
        assert (found.damage, found.first_bad_line) == (Damage.CHANGED, 26)


def test_a_signature_cannot_be_taken_off(folder: Path) -> None:
    """The seal's check leaves the signature out, but the head, which the chain holds, promises one."""
    at = SIGNED.rindex(b'"signature":"') + 12
    found = _verify(folder, SIGNED[:at] + b"null" + SIGNED[at + 130 :])
    assert not found.holds
    assert "gone" in found.text
