"""A record with all that can be said for it: signature, trust file beside it or named, time stamp.

With a time stamp: tests/outside/test_time_stamps.py.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from probe.model.errors import InputError
from probe.record.proof import Proof, last_line, prove
from probe.record.timestamp import Stamp
from probe.record.trust import FILE_NAME, Standing
from probe.record.verify import verify

RECORDS = Path(__file__).parents[1] / "records"
SIGNED, UNSIGNED = RECORDS / "format-1-signed.audit.jsonl", RECORDS / "format-1.audit.jsonl"
KEY = verify(SIGNED).public


@pytest.fixture
def record(tmp_path: Path) -> Path:
    path = tmp_path / "r.audit.jsonl"
    path.write_bytes(SIGNED.read_bytes())
    return path


def _trust(path: Path, public: str = KEY, revoked: str = "") -> Path:
    text = f"format: buswitness-trust/1\nkeys:\n  - name: A. Tester\n    public: {public}\n{revoked}"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_a_trust_file_a_signed_record_holds_and_nobody_is_named(record: Path) -> None:
    proof = prove(record)
    assert (proof.holds, proof.signatory.standing, proof.trust_file) == (True, Standing.NO_LIST, None)
    assert (proof.stamp, proof.asked_trust, proof.asked_stamp) == (None, False, False)


def test_the_trust_file_beside_the_record_is_taken_unasked_and_a_named_one_before_it(record: Path) -> None:
    beside = _trust(record.with_name(FILE_NAME))
    found = prove(record)
    assert (found.signatory.name, found.trust_file, found.asked_trust) == ("A. Tester", beside, False)
    named = _trust(record.with_name("other.yaml"), "0" * 64)
    found = prove(record, trust_file=named)
    assert (found.holds, found.trust_file, found.asked_trust) == (False, named, True)
    assert "key does not count" in found.why_not[0]


def test_a_revoked_key_does_not_count(record: Path) -> None:
    """The sample's run was on 2026-03-14."""
    _trust(record.with_name(FILE_NAME), revoked="    revoked: {on: 2026-03-01, why: retired}\n")
    assert prove(record).why_not[0].startswith("its key does not count: the key of A. Tester, retired")
    _trust(record.with_name(FILE_NAME), revoked="    revoked: {on: 2026-03-15, why: retired}\n")
    assert prove(record).holds


def test_who_asks_by_whom_a_record_was_signed_is_told_that_nobody_did(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    path.write_bytes(UNSIGNED.read_bytes())
    named = _trust(tmp_path / "t.yaml")
    proof = prove(path, trust_file=named)
    assert (proof.found.holds, proof.holds) == (True, False)
    assert proof.why_not == ("it is not signed, and a trust file was given to prove by whom",)
    _trust(tmp_path / FILE_NAME)
    assert prove(path).holds, "a trust file that only lies there asks for nothing"


def test_a_damaged_record_does_not_hold_whoever_signed_it(record: Path) -> None:
    _trust(record.with_name(FILE_NAME))
    record.write_bytes(record.read_bytes().replace(b"43670000", b"43680000"))
    proof = prove(record)
    assert (proof.holds, proof.stamp, proof.signatory.standing) == (False, None, Standing.NO_SIGNATURE)


def test_files_that_cannot_be_read_are_input_errors(record: Path) -> None:
    with pytest.raises(InputError):
        prove(record, trust_file=record.with_name("missing.yaml"))
    with pytest.raises(InputError):
        prove(record, certificate_file=record.with_name("missing.pem"))
    (record.with_name("no.pem")).write_bytes(b"nothing")
    with pytest.raises(InputError, match="no certificate"):
        prove(record, certificate_file=record.with_name("no.pem"))


def test_the_last_line_is_that_of_the_seal(record: Path) -> None:
    assert last_line(record) == record.read_bytes().splitlines()[-1]
    record.write_bytes(b"")
    assert last_line(record) == b""


@pytest.mark.parametrize(
    ("fits", "proved", "holds"),
    [(True, True, True), (True, None, True), (True, False, False), (False, None, False)],
)
def test_what_a_stamp_is_worth_for_the_whole(
    record: Path, fits: bool, proved: bool | None, holds: bool
) -> None:
    stamp = Stamp(fits=fits, proved=proved, wall_ns=0, text="said")
    assert stamp.holds is holds
    proof: Proof = replace(prove(record), stamp=stamp, asked_stamp=True)
    assert proof.holds is holds
    assert proof.why_not == (() if holds else ("its time stamp is not for it: said",))
