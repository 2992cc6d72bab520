"""A record that was not closed is gone on with; nothing in it is rewritten."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from probe.model.errors import InputError, RecordError
from probe.model.evidence import Anchor, Note
from probe.model.scope import Scope
from probe.record.content import load
from probe.record.header import Header
from probe.record.reopen import last_instant_ns, reopen
from probe.record.signing import KeySigner
from probe.record.verify import verify
from probe.record.writer import RecordWriter

SIGNER = KeySigner(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))


def begun(path: Path, signer: KeySigner | None = None) -> bytes:
    header = Header(
        tool_version="0", site="Tarn Hollow Water Works", lineup="MSB-1", map_texts=(), profile_texts=(),
        scope=Scope(tags=("F1",)), started_wall_ns=1,
    )  # fmt: skip
    writer = RecordWriter.create(path, header, signer=signer)
    writer.keep(Anchor(5, 100))
    writer.keep(Note(70, "paused", "lunch"))
    writer.close()
    return path.read_bytes()


@pytest.mark.parametrize("signer", [None, SIGNER])
@pytest.mark.parametrize("torn", [b"", b'{"body":{"at'])
def test_it_goes_on_behind_the_last_whole_line(tmp_path: Path, signer: KeySigner | None, torn: bytes) -> None:
    path = tmp_path / "a.audit.jsonl"
    before = begun(path, signer)
    path.write_bytes(before + torn)
    opened = reopen(path, signer)
    assert opened.dropped == torn
    assert last_instant_ns(opened.content) == 70
    opened.writer.keep(Note(80, "resumed", ""))
    opened.writer.seal(complete=True, reason="")
    assert path.read_bytes().startswith(before)
    found = verify(path)
    assert found.whole
    assert found.complete
    assert [note.topic for _, note in load(path).evidence[Note]] == ["paused", "resumed"]


def test_a_closed_one_stays_closed(tmp_path: Path) -> None:
    path = tmp_path / "a.audit.jsonl"
    begun(path)
    reopen(path, None).writer.seal(complete=False, reason="enough")
    before = path.read_bytes()
    with pytest.raises(InputError, match="closed"):
        reopen(path, None)
    assert path.read_bytes() == before


@pytest.mark.parametrize(("first", "then"), [(None, SIGNER), (SIGNER, None)])
def test_another_key_cannot_close_it(tmp_path: Path, first: KeySigner | None, then: KeySigner | None) -> None:
    path = tmp_path / "a.audit.jsonl"
    begun(path, first)
    with pytest.raises(InputError, match="signing key"):
        reopen(path, then)


def test_a_damaged_one_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.audit.jsonl"
    data = begun(path)
    path.write_bytes(data.replace(b"MSB-1", b"MSB-2"))
    with pytest.raises(RecordError):
        reopen(path, None)


@pytest.mark.skipif(sys.platform == "win32", reason="files are not locked there")
def test_two_programs_do_not_write_the_same_record(tmp_path: Path) -> None:
    path = tmp_path / "a.audit.jsonl"
    begun(path)
    first = reopen(path, None)
    try:
        with pytest.raises(InputError, match="another program"):
            reopen(path, None)
    finally:
        first.writer.close()
