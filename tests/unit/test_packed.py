"""Compressed copies: read as the record inside, made the same every time, damage told."""

from __future__ import annotations

import gzip
import io
import random
from pathlib import Path

import pytest

from probe.cli.record_export_command import export
from probe.model.errors import InputError, RecordError
from probe.record.content import load
from probe.record.damage import Damage
from probe.record.packed import CHUNK, is_packed, pack, trouble_of, unpacked
from probe.record.verify import verify

SAMPLE = Path(__file__).parents[1] / "records" / "format-1-signed.audit.jsonl"
DATA = SAMPLE.read_bytes()


@pytest.fixture(params=["gz", "zst"])
def copy(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / f"copy.audit.jsonl.{request.param}"
    with path.open("wb") as file:
        pack(SAMPLE, file, request.param)
    return path


def test_a_copy_is_the_record(copy: Path) -> None:
    assert verify(copy) == verify(SAMPLE)
    assert load(copy) == load(SAMPLE)
    with unpacked(copy) as file:
        assert file.read() == DATA
    assert copy.stat().st_size < len(DATA)


def test_gzip_itself_finds_the_record_in_our_copy(tmp_path: Path) -> None:
    out = io.BytesIO()
    pack(SAMPLE, out, "gz")
    assert gzip.decompress(out.getvalue()) == DATA
    again = io.BytesIO()
    pack(SAMPLE, again, "gz")
    assert again.getvalue() == out.getvalue()


def test_a_foreign_copy_of_several_members_is_read(tmp_path: Path) -> None:
    path = tmp_path / "several.gz"
    path.write_bytes(gzip.compress(DATA[:5000]) + gzip.compress(DATA[5000:]))
    assert verify(path).holds


def test_the_first_bytes_tell_what_it_is_not_the_name(copy: Path) -> None:
    plain = copy.with_name("odd-name")
    copy.rename(plain)
    assert verify(plain).holds


def test_a_copy_that_is_cut_is_damaged_at_every_place(copy: Path, tmp_path: Path) -> None:
    packed = copy.read_bytes()
    cut = tmp_path / "cut"
    for size in range(8, len(packed) - 1, 97):
        cut.write_bytes(packed[:size])
        found = verify(cut)
        assert not found.holds, size
        assert found.damage in (Damage.PACKING, Damage.NOT_A_RECORD, Damage.NOT_CLOSED, Damage.CUT)


def test_changed_bytes_of_a_copy_never_verify_as_another_record(copy: Path, tmp_path: Path) -> None:
    """A changed byte of the packing is found, or changes nothing of the record (a name, a time)."""
    packed = bytearray(copy.read_bytes())
    genuine = verify(SAMPLE).head
    damaged = tmp_path / "damaged"
    dice = random.Random(1952)
    for place in sorted(dice.sample(range(4, len(packed)), 150)):
        packed[place] ^= 1 << dice.randrange(8)
        damaged.write_bytes(packed)
        found = verify(damaged)
        assert not found.holds or found.head == genuine, place
        packed[:] = copy.read_bytes()


def test_a_damaged_copy_says_up_to_where_it_can_be_read(tmp_path: Path) -> None:
    packed = bytearray(gzip.compress(DATA, mtime=0))
    packed[-6] ^= 1  # the checksum at the end: all lines are there, but the copy is not what was packed
    path = tmp_path / "damaged.gz"
    path.write_bytes(packed)
    found = verify(path)
    assert (found.damage, found.holds, found.unchanged) == (Damage.PACKING, False, True)
    assert "up to line 26" in found.text
    with pytest.raises(RecordError, match="damaged packing"):
        load(path)


def test_a_bomb_is_refused_in_little_memory(tmp_path: Path) -> None:
    """64 MiB of nothing in 64 KiB: no line of a record, found after the first 16 MiB."""
    path = tmp_path / "bomb.gz"
    with gzip.open(path, "wb", compresslevel=9) as file:
        for _ in range(64):
            file.write(bytes(1024 * 1024))
    found = verify(path)
    assert (found.damage, found.first_bad_line) == (Damage.NOT_A_RECORD, 1)


def test_export_makes_a_copy_beside_the_record_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = tmp_path / "r.audit.jsonl"
    record.write_bytes(DATA)
    wishes = {"punch_list": False, "form": "", "source": 0, "output": None}
    export(record, compress="gz", **wishes)  # type: ignore[arg-type]
    assert gzip.decompress((tmp_path / "r.audit.jsonl.gz").read_bytes()) == DATA
    with pytest.raises(InputError, match="already"):
        export(record, compress="gz", **wishes)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no such packing"):
        export(record, compress="rar", **wishes)  # type: ignore[arg-type]


def test_without_the_library_zstd_is_told(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if copy.suffix != ".zst":
        pytest.skip("gzip is always there")
    import sys

    monkeypatch.setitem(sys.modules, "compression", None)
    monkeypatch.setitem(sys.modules, "zstandard", None)
    with pytest.raises(InputError, match=r"Python 3\.14"):
        verify(copy)


def test_a_packed_record_can_only_be_begun_again(copy: Path) -> None:
    with unpacked(copy) as file:
        raw = file.raw  # type: ignore[attr-defined]
        assert (raw.readable(), raw.seekable(), raw.tell()) == (True, True, 0)
        first = raw.read(100)
        assert (first, raw.tell()) == (DATA[:100], 100)
        assert raw.seek(0, io.SEEK_CUR) == 100, "to stay is allowed"
        assert raw.read(10) == DATA[100:110]
        for place in ((5, io.SEEK_SET), (0, io.SEEK_END), (-1, io.SEEK_CUR)):
            with pytest.raises(OSError, match="only be begun again"):
                raw.seek(*place)
        assert raw.seek(0) == 0
        assert raw.read(100) == first
    assert raw.closed


def test_begun_again_a_damaged_copy_is_damaged_again(tmp_path: Path) -> None:
    cut = tmp_path / "cut"
    cut.write_bytes(gzip.compress(DATA)[:-20])
    with unpacked(cut) as file:
        before = file.read()
        assert trouble_of(file)
        assert DATA.startswith(before)
        file.seek(0)
        assert trouble_of(file) == ""
        assert file.read() == before
        assert trouble_of(file)


def test_what_is_packed_and_what_is_not(copy: Path) -> None:
    with unpacked(copy) as packed, unpacked(SAMPLE) as plain:
        assert (is_packed(packed), is_packed(plain)) == (True, False)
        packed.read()
        assert (trouble_of(packed), trouble_of(plain)) == ("", "")


@pytest.mark.parametrize("how", ["gz", "zst"])
def test_a_damaged_copy_is_not_packed_again_as_if_it_were_whole(tmp_path: Path, how: str) -> None:
    damaged = tmp_path / "cut.gz"
    damaged.write_bytes(gzip.compress(DATA)[:-20])
    with pytest.raises(OSError, match="the packed file is damaged"):
        pack(damaged, io.BytesIO(), how)


def test_a_large_record_is_packed_and_read_in_pieces(tmp_path: Path) -> None:
    """More than is handed on at a time, and not the same all over."""
    dice = random.Random(8785)
    whole = b"".join(b"%d %d\n" % (number, dice.randrange(10**9)) for number in range(60_000))
    assert len(whole) > 3 * CHUNK
    plain = tmp_path / "plain"
    plain.write_bytes(whole)
    for how in ("gz", "zst"):
        path = tmp_path / how
        with path.open("wb") as file:
            pack(plain, file, how)
        with unpacked(path) as file:
            assert file.read() == whole
            assert is_packed(file)


def test_what_is_wrong_with_a_copy_is_told_in_the_librarys_words(tmp_path: Path) -> None:
    path = tmp_path / "cut.gz"
    path.write_bytes(gzip.compress(DATA)[:-20])
    with unpacked(path) as file, gzip.open(path) as plain:
        with pytest.raises(EOFError) as caught:
            plain.read()
        file.read()
        assert trouble_of(file) == str(caught.value) != ""
        assert file.raw.read(5) == b"", "nothing more comes"  # type: ignore[attr-defined]
