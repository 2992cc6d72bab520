"""A record that was not closed is gone on with; nothing in it is rewritten."""

from __future__ import annotations

import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from probe.model.errors import InputError, RecordError
from probe.model.evidence import Anchor, Disconnect, Echo, Note
from probe.model.finding import Finding, Verdict
from probe.model.scope import Scope
from probe.record.content import load
from probe.record.header import Header
from probe.record.reopen import last_instant_ns, reopen
from probe.record.signing import KeySigner, fingerprint
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


def test_one_whose_verdicts_stand_already_is_not_gone_on_with(tmp_path: Path) -> None:
    """It was cut between its verdicts and its seal: more evidence would come behind its own verdicts."""
    path = tmp_path / "a.audit.jsonl"
    begun(path)
    opened = reopen(path, None)
    opened.writer.conclude([Finding(check="a", subject="F1", verdict=Verdict.PASS, title="t")], [])
    opened.writer.close()
    before = path.read_bytes()
    with pytest.raises(InputError, match="verdicts stand in it"):
        reopen(path, None)
    assert path.read_bytes() == before


def test_which_key_began_it_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.audit.jsonl"
    begun(path, SIGNER)
    with pytest.raises(InputError) as caught:
        reopen(path, None)
    (problem,) = caught.value.problems
    assert (problem.found, problem.allowed) == ("no key", f"key {fingerprint(SIGNER.public)}")
    path.unlink()
    begun(path)
    with pytest.raises(InputError) as caught:
        reopen(path, SIGNER)
    (problem,) = caught.value.problems
    assert (problem.found, problem.allowed) == (f"key {fingerprint(SIGNER.public)}", "no key (--no-sign)")


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of this kind are those of other systems")
def test_a_file_that_may_not_be_written_says_what_the_system_says() -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "a.audit.jsonl"
        begun(path)
        path.chmod(0o444)
        Path(name).chmod(0o755)
        was_root = os.geteuid() == 0
        if was_root:
            os.seteuid(65_534)
        try:
            with pytest.raises(InputError, match="cannot be written to: Permission denied") as caught:
                reopen(path, None)
        finally:
            if was_root:
                os.seteuid(0)
        assert "folder of your own" in caught.value.problems[0].remedy


def test_the_last_instant_is_the_latest_of_all_evidence(tmp_path: Path) -> None:
    """An answer may come after what was kept behind it; without any evidence the run is at its start."""
    path = tmp_path / "a.audit.jsonl"
    begun(path)
    opened = reopen(path, None)
    opened.writer.keep(Echo("127.0.0.1", "F1", 80, 95, True))
    opened.writer.keep(Disconnect("127.0.0.1:502", 90, False, 1))
    opened.writer.close()
    assert last_instant_ns(load(path)) == 95
    assert last_instant_ns(replace(load(path), evidence={})) == 0


def test_a_torn_line_is_taken_off_whatever_comes_then(tmp_path: Path) -> None:
    """Also if nothing, or less than it was long, is written: it must not stand behind the next line."""
    path = tmp_path / "a.audit.jsonl"
    before = begun(path)
    path.write_bytes(before + b'{"body":{"at_ns":' + b"1" * 5000)
    opened = reopen(path, None)
    assert path.read_bytes() == before
    opened.writer.keep(Note(80, "a", "b"))
    opened.writer.close()
    assert path.read_bytes().startswith(before)
    assert verify(path).count == 4
