"""No damage to a record goes unseen: every flipped bit, every line changed, removed, added, moved or cut."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.record.damage import Damage
from probe.record.verify import Verification, verify

SAMPLE = Path(__file__).parents[1] / "records" / "format-1.audit.jsonl"
LINES = SAMPLE.read_bytes().splitlines(keepends=True)  # bytes: only \n, \r and \r\n cut, and no \r is inside
COUNT = len(LINES)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damaged")


def _verify(folder: Path, data: bytes) -> Verification:
    path = folder / "damaged.audit.jsonl"
    path.write_bytes(data)
    return verify(path)


def test_the_sample_itself_holds() -> None:
    found = verify(SAMPLE)
    assert found.holds
    assert (found.count, found.damage, found.complete) == (COUNT, Damage.NONE, False)


def test_every_changed_byte_is_found(folder: Path) -> None:
    """Each byte of the sample in turn is changed (one bit, by turns another one)."""
    data = bytearray(SAMPLE.read_bytes())
    missed = []
    for place in range(len(data)):
        data[place] ^= 1 << (place % 8)
        if _verify(folder, bytes(data)).holds:
            missed.append(place)
        data[place] ^= 1 << (place % 8)
    assert missed == []


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_a_changed_byte_is_found_in_its_line(folder: Path, data: st.DataObject) -> None:
    """All but the last byte of a line, so that lines stay lines: the line is named, its kind is "changed"."""
    number = data.draw(st.integers(1, COUNT), label="line")
    line = bytearray(LINES[number - 1])
    place = data.draw(st.integers(0, len(line) - 2), label="place")
    line[place] = data.draw(st.sampled_from(sorted(set(range(256)) - {line[place], 10, 13})), label="byte")
    found = _verify(folder, b"".join([*LINES[: number - 1], bytes(line), *LINES[number:]]))
    assert not found.holds
    untold = {Damage.NOT_A_RECORD, Damage.NEWER_FORMAT} if number == 1 else set()
    assert found.damage in {Damage.CHANGED, *untold}
    assert found.first_bad_line == number


@given(st.integers(1, COUNT), st.integers(1, 3))
@settings(deadline=None)
def test_removed_lines_are_found(folder: Path, number: int, many: int) -> None:
    found = _verify(folder, b"".join(LINES[: number - 1] + LINES[number - 1 + many :]))
    assert not found.holds
    if number - 1 + many >= COUNT:  # the tail is gone: the same as a killed run, and said so
        expected = Damage.NOT_CLOSED if number > 1 else Damage.NOT_A_RECORD
        assert (found.damage, found.first_bad_line) == (expected, None)
    else:
        assert (found.damage, found.first_bad_line) == (Damage.REMOVED, number)


@given(st.integers(1, COUNT), st.integers(1, COUNT + 1))
@settings(deadline=None)
def test_a_line_put_in_twice_is_found(folder: Path, source: int, place: int) -> None:
    found = _verify(folder, b"".join([*LINES[: place - 1], LINES[source - 1], *LINES[place - 1 :]]))
    assert not found.holds
    if place == COUNT + 1:
        assert (found.damage, found.first_bad_line) == (Damage.FOREIGN_TAIL, place)
    elif source == place:  # the copy stands before its twin; the first one is taken for the genuine one
        assert found.damage in {Damage.INSERTED, Damage.FOREIGN_TAIL}
        assert found.first_bad_line == place + 1
    else:
        assert (found.damage, found.first_bad_line) == (Damage.INSERTED, place)


@given(st.integers(2, COUNT), st.integers(2, COUNT))
@settings(deadline=None)
def test_swapped_lines_are_found(folder: Path, one: int, other: int) -> None:
    one, other = sorted((one, other))
    lines = list(LINES)
    lines[one - 1], lines[other - 1] = lines[other - 1], lines[one - 1]
    found = _verify(folder, b"".join(lines))
    assert found.holds == (one == other)
    if one != other:
        assert (found.damage, found.first_bad_line) == (Damage.SWAPPED, one)


@given(st.integers(1, len(SAMPLE.read_bytes()) - 1))
@settings(deadline=None)
def test_a_cut_is_a_cut_and_nothing_before_it_is_called_changed(folder: Path, size: int) -> None:
    data = SAMPLE.read_bytes()[:size]
    found = _verify(folder, data)
    assert not found.whole
    if data.count(b"\n") == 0:
        assert found.damage in {Damage.CUT, Damage.NOT_A_RECORD}
        return
    assert found.unchanged is True
    assert found.count == data.count(b"\n")
    assert found.damage is (Damage.NOT_CLOSED if data.endswith(b"\n") else Damage.CUT)


@given(st.binary(min_size=1, max_size=50))
def test_anything_behind_the_seal_is_a_foreign_tail(folder: Path, tail: bytes) -> None:
    found = _verify(folder, SAMPLE.read_bytes() + tail)
    assert (found.damage, found.first_bad_line) == (Damage.FOREIGN_TAIL, COUNT + 1)


@given(st.binary(max_size=300))
def test_any_bytes_are_answered_and_never_hold(folder: Path, data: bytes) -> None:
    assert not _verify(folder, data).holds


@given(st.integers(0, 2**32))
@settings(max_examples=100, deadline=None)
def test_many_wild_changes_at_once_are_answered(folder: Path, seed: int) -> None:
    """Bytes of the sample thrown about: whatever comes of it, there is an answer, and it is no."""
    dice = random.Random(seed)
    data = bytearray(SAMPLE.read_bytes())
    for _ in range(dice.randint(1, 20)):
        start, size = dice.randrange(len(data)), dice.randint(1, 400)
        piece = data[start : start + size]
        del data[start : start + size]
        place = dice.randrange(len(data))
        data[place:place] = dice.choice((piece, bytes(reversed(piece)), bytes(len(piece)), b"\n", b"[" * 50))
    if bytes(data) != SAMPLE.read_bytes():
        assert not _verify(folder, bytes(data)).holds
