"""The agent's journal: what a disk or a hand has spoilt stops no agent, and forgets no start."""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.sweep.journal import BEGUN, OVER, SUFFIX, Entry, Journal

ENTRY = Entry("msb-1", 7, 3, 10**18, OVER, "done", "", 0)


@pytest.mark.parametrize(
    "spoilt",
    [
        b"",
        b"{",
        b"\xff\xfe",
        b"[]",
        b"null",
        b'{"sweep": "msb-1"}',
        b'{"sweep": "other", "due_ns": 7, "job_id": 3, "begun_ns": 5}',
        b'{"sweep": "msb-1", "due_ns": 7, "job_id": "3", "begun_ns": 5}',
        b'{"sweep": "msb-1", "due_ns": 7, "job_id": 3, "begun_ns": 5, "stage": "gone"}',
        b'{"sweep": "msb-1", "due_ns": 7, "job_id": 3, "begun_ns": 5, "state": "gone"}',
        b'{"sweep": "msb-1", "due_ns": 7, "job_id": 1e99, "begun_ns": 5}',
    ],
)
def test_a_spoilt_entry_is_a_start_that_has_begun(tmp_path: Path, spoilt: bytes) -> None:
    journal = Journal(tmp_path)
    journal.write(ENTRY)
    journal.write(ENTRY._replace(due_ns=8))
    (tmp_path / f"msb-1-7{SUFFIX}").write_bytes(spoilt)
    taken = Entry("msb-1", 7, job_id=0, begun_ns=0)
    assert taken.stage == BEGUN
    assert list(journal.entries()) == [taken, ENTRY._replace(due_ns=8)]
    assert journal.find("msb-1", 7) == taken
    journal.drop(taken)
    assert journal.find("msb-1", 7) is None


@pytest.mark.parametrize("spoilt", [b"", b"\xff", b"0123", b"0123456789abcdef0123456789abcdeX"])
def test_a_spoilt_name_of_the_installation_is_made_anew(tmp_path: Path, spoilt: bytes) -> None:
    journal = Journal(tmp_path)
    before = journal.token()
    assert journal.token() == before
    (tmp_path / "token").write_bytes(spoilt)
    assert len(journal.token()) == 32
    assert journal.token() == journal.token() != before
