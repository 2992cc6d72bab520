"""The writer: never over anything, every line at once or soon, closed as what it is."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from probe.model.errors import InputError, RecordError
from probe.model.evidence import Anchor, Exchange, Framing, Note, Outcome, Purpose
from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.model.lineup import SourceText
from probe.model.scope import Scope
from probe.record import line as record_line
from probe.record import writer as writing
from probe.record.content import load
from probe.record.header import Header, Instrument, rfc3339
from probe.record.line import LONGEST_LINE, MOST_BRACKETS, NO_LINE, line
from probe.record.reserve import RESERVE, Reserve
from probe.record.verify import verify
from probe.record.writer import WAITING, RecordWriter

EXCHANGE = Exchange("F-01", Purpose.POLL, Framing.MBAP, 0, 1, 5, 9, Outcome.DATA, 0, bytes(12), bytes(209))


def _header(**changes: object) -> Header:
    facts: dict[str, object] = {
        "tool_version": "0.1.0",
        "site": "Tarn Hollow Water Works",
        "lineup": "MSB-1",
        "map_texts": (SourceText(name="map.yaml", text="site: Tarn Hollow\n", sha256="0" * 64),),
        "profile_texts": (),
        "scope": Scope(tags=("F-01",)),
        "started_wall_ns": 1_773_480_413_000_000_001,
        "instrument": Instrument(host_name="laptop-3"),
    }
    return Header(**{**facts, **changes})  # type: ignore[arg-type]


def _finding(number: int = 1, **changes: object) -> Finding:
    facts = {"check": "c", "subject": f"F-{number}", "verdict": Verdict.PASS, "title": "t"}
    return Finding(**{**facts, **changes})  # type: ignore[arg-type]


def _lines(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_bytes().split(b"\n")[:-1]]


def test_a_whole_run_is_numbered_chained_and_sealed(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    writer.expect([Expectation(check="reach", subject="F-01")])
    assert [writer.keep(Anchor(0, 1)), writer.keep(EXCHANGE), writer.keep(Note(1, "a", "b"))] == [3, 4, 5]
    writer.conclude([_finding()], [])
    seal = writer.seal(complete=True, reason="")
    lines = _lines(path)
    kinds = ["head", "expected", "anchor", "exchange", "note", "finding", "seal"]
    assert [line["kind"] for line in lines] == kinds
    assert [line["seq"] for line in lines] == [1, 2, 3, 4, 5, 6, 7]
    found = verify(path)
    assert found.holds
    assert (found.complete, found.head, found.short, found.count) == (True, seal.code, seal.short, seal.count)
    assert lines[-1]["body"]["head"] == seal.head  # type: ignore[index]


def test_the_head_says_what_was_audited_with_what(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    RecordWriter.create(path, _header()).close()
    body = _lines(path)[0]["body"]
    assert isinstance(body, dict)
    assert (body["format"], body["started"]) == ("buswitness-record/1", "2026-03-14T09:26:53.000000001Z")
    assert body["started_wall_ns"] == "1773480413000000001"
    assert (body["operator"], body["key"]) == ("not stated", None)
    assert body["map"] == [{"name": "map.yaml", "sha256": "0" * 64, "text": "site: Tarn Hollow\n"}]


@pytest.mark.parametrize(
    ("wall_ns", "text"),
    [
        # RFC 3339, 5.8 (clause from memory): the same instant as 1985-04-12T23:20:50.52Z, with nine digits
        (482_196_050_520_000_000, "1985-04-12T23:20:50.520000000Z"),
        (0, "1970-01-01T00:00:00.000000000Z"),
        (-1, "1969-12-31T23:59:59.999999999Z"),
        (2**80, "not a date"),
    ],
)
def test_wall_times_as_rfc3339(wall_ns: int, text: str) -> None:
    assert rfc3339(wall_ns) == text


def test_what_exists_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    path.write_bytes(b"old")
    with pytest.raises(InputError, match="exists already") as caught:
        RecordWriter.create(path, _header())
    assert path.read_bytes() == b"old"
    assert "--record" in caught.value.problems[0].remedy


def test_a_link_to_nowhere_is_not_followed(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    try:
        path.symlink_to(tmp_path / "elsewhere")
    except OSError:
        pytest.skip("this system does not let us make symbolic links")
    with pytest.raises(InputError, match="exists already"):
        RecordWriter.create(path, _header())
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("no/such/folder/r.jsonl", "folder does not exist"),
        ("x" * 300, "too long"),
        ("nul\0", "cannot be started"),
    ],
)
def test_a_path_that_cannot_be_made_is_an_input_error(tmp_path: Path, name: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        RecordWriter.create(tmp_path / name, _header())


def test_a_file_in_the_place_of_a_folder(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    with pytest.raises(InputError, match="cannot be started"):
        RecordWriter.create(tmp_path / "plain" / "r.jsonl", _header())


@pytest.mark.skipif(os.name != "posix", reason="Windows folders have no write permission of this kind")
def test_a_folder_that_may_not_be_written_is_an_input_error() -> None:
    with (
        tempfile.TemporaryDirectory() as name,
        _read_only(Path(name)),
        pytest.raises(InputError, match="may not be written"),
    ):
        RecordWriter.create(Path(name) / "r.jsonl", _header())


@contextmanager
def _read_only(folder: Path) -> Iterator[None]:
    """The folder may not be written inside; root, whom permissions do not bind, becomes another user."""
    was_root = os.geteuid() == 0
    folder.chmod(0o555)
    if was_root:
        os.seteuid(65_534)
    try:
        yield
    finally:
        if was_root:
            os.seteuid(0)
        folder.chmod(0o755)


def test_texts_too_large_for_one_record_are_refused_before_anything_is_made(tmp_path: Path) -> None:
    text = SourceText(name="map.yaml", text="x" * LONGEST_LINE, sha256="0" * 64)
    with pytest.raises(InputError, match="too large"):
        RecordWriter.create(tmp_path / "r.jsonl", _header(map_texts=(text,)))
    assert list(tmp_path.iterdir()) == []


def test_no_space_for_the_reserve_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing.Reserve, "__init__", full)
    with pytest.raises(InputError, match="disk is full"):
        RecordWriter.create(tmp_path / "r.jsonl", _header())
    assert list(tmp_path.iterdir()) == []


def test_lines_reach_the_system_by_flush_or_when_many_wait(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    head = path.stat().st_size
    writer.keep(EXCHANGE)
    assert path.stat().st_size == head
    writer.flush()
    assert path.stat().st_size > head
    for _ in range(200):  # 200 lines of 735 bytes: more than may wait
        writer.keep(EXCHANGE)
    written = path.read_bytes()
    assert len(written) - head > 64 * 1024
    assert written.endswith(b"\n")
    writer.close()


def test_lines_stand_in_the_order_of_their_numbers_however_they_come(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    pieces = [EXCHANGE._replace(sent_ns=n) if n % 7 else Note(n, "a", "b") for n in range(300)]
    assert [writer.keep(piece) for piece in pieces] == list(range(2, 302))
    writer.conclude([_finding(n, evidence=(n,)) for n in range(150)], [])
    writer.seal(complete=True, reason="")
    lines = _lines(path)
    kinds = ["exchange" if n % 7 else "note" for n in range(300)]
    assert [line["kind"] for line in lines] == ["head", *kinds, *["finding"] * 150, "seal"]
    assert [line["seq"] for line in lines] == list(range(1, len(lines) + 1))
    assert verify(path).holds


def test_what_is_expected_is_on_its_way_before_anything_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    writer.expect([Expectation(check="a", subject=f"F-{n}") for n in range(3)])
    assert [line["kind"] for line in _lines(path)] == ["head", *["expected"] * 3]
    writer.close()


def test_closed_without_a_seal_is_a_readable_prefix(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    writer.keep(EXCHANGE)
    writer.close()
    writer.close()
    found = verify(path)
    assert (found.whole, found.unchanged, found.closed, found.count) == (False, True, False, 2)


def test_close_after_seal_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    writer.seal(complete=False, reason="stopped")
    before = path.read_bytes()
    writer.close()
    assert path.read_bytes() == before
    found = verify(path)
    assert (found.holds, found.complete, found.reason) == (True, False, "stopped")


def test_a_line_that_no_reader_would_take_is_a_bug(tmp_path: Path) -> None:
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", _header())
    with pytest.raises(ValueError, match="no reader"):
        writer.keep(Note(0, "x", "y" * LONGEST_LINE))
    writer.seal(complete=True, reason="")
    assert verify(writer.path).holds


def test_causes_are_kept(tmp_path: Path) -> None:
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", _header())
    cause = Cause(
        id="C1", kind="k", subjects=("F-01",), statement="s", confidence_permille=1, explains=(), fix="f"
    )
    writer.conclude([], [cause])
    writer.seal(complete=True, reason="")
    assert [line["kind"] for line in _lines(writer.path)] == ["head", "cause", "seal"]


def _note_of(size: int, number: int) -> dict[str, object]:
    """The body of a note whose line, with its line end, has so many bytes."""
    empty = line(number, NO_LINE, "note", {"at_ns": 0, "text": "", "topic": ""})
    return {"at_ns": 0, "text": "x" * (size - len(empty) - 1), "topic": ""}


@pytest.mark.parametrize("turns", [1, 2])
def test_lines_wait_up_to_64_kib_and_not_a_byte_more(tmp_path: Path, turns: int) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    for turn in range(turns):  # each time anew
        before = path.stat().st_size
        writer.write("note", _note_of(WAITING - 300, 2 + 3 * turn))  # type: ignore[arg-type]
        writer.write("note", _note_of(300, 3 + 3 * turn))  # type: ignore[arg-type]
        assert path.stat().st_size == before, "just 64 KiB wait"
        writer.write("note", _note_of(200, 4 + 3 * turn))  # type: ignore[arg-type]
        assert path.stat().st_size == before + WAITING + 200
    writer.close()


def test_evidence_waits_no_longer_than_other_lines(tmp_path: Path) -> None:
    """It is made into lines 64 at a time: so many, and 64 KiB, may be lost in a power failure, no more."""
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    writer.flush()
    sizes = {path.stat().st_size}
    for kept in range(1, 1001):
        writer.keep(EXCHANGE._replace(sent_ns=kept))
        sizes.add(path.stat().st_size)
        written = path.read_bytes().count(b"\n") - 1
        assert kept - written <= 64 + WAITING // 600 + 64  # its lines have more than 600 bytes
    assert 5 < len(sizes) < 20, "many lines go in one write"
    writer.close()


needs_limit = pytest.mark.skipif(os.name != "posix", reason="the size of files cannot be limited here")


@contextmanager
def _no_file_beyond(size: int) -> Iterator[None]:
    """The operating system refuses to let any file of this process grow further (EFBIG)."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


class _RoomForALittle(Reserve):
    """A reserve whose release makes room, as on a disk that others have filled."""

    MORE = 1024 * 1024

    def release(self) -> None:
        import resource

        super().release()
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        if soft != resource.RLIM_INFINITY:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft + self.MORE, hard))


def _fill(writer: RecordWriter) -> int:
    """Keep evidence until the system refuses; how many pieces had a number by then."""
    kept: list[int] = []

    def keep_on() -> None:
        for number in range(100_000):
            kept.append(number)
            writer.keep(EXCHANGE._replace(sent_ns=number))

    with pytest.raises(RecordError, match="largest size allowed") as caught:
        keep_on()
    assert "are safe" in caught.value.problem.remedy
    return len(kept)


@needs_limit
def test_where_nothing_more_can_be_written_the_record_is_closed_with_what_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    with _no_file_beyond(3 * 1024 * 1024 + 777):  # within a line
        kept = _fill(writer)
        with pytest.raises(RecordError):
            writer.keep(EXCHANGE)
        with pytest.raises(RecordError):
            writer.write("note", {})
        writer.conclude([_finding()], [])
        seal = writer.seal(complete=True, reason="stopped")
    found = verify(path)
    assert (found.holds, found.complete, found.reason) == (True, False, seal.reason)
    content = load(path)
    lost = kept - len(content.evidence[Exchange])
    assert lost > 0
    assert seal.reason.startswith("stopped; the record cannot be continued: ")
    assert f"the last {lost} lines could not be written" in seal.reason
    assert seal.reason.endswith("no verdicts, because they would rest on those lines")
    assert content.findings == ()


@needs_limit
def test_with_the_reserve_nothing_is_lost_and_the_verdicts_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "Reserve", _RoomForALittle)
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    with _no_file_beyond(3 * 1024 * 1024 + 777):
        kept = _fill(writer)
        with pytest.raises(RecordError):
            writer.keep(EXCHANGE)
        writer.conclude([_finding()], [])
        seal = writer.seal(complete=True, reason="")
    content = load(path)
    assert len(content.evidence[Exchange]) == kept
    assert [one.subject for one in content.findings] == ["F-1"]
    assert (seal.complete, verify(path).complete) == (False, False)
    assert seal.reason == "the record cannot be continued: the file would pass the largest size allowed"


@needs_limit
def test_verdicts_that_leave_no_room_for_the_seal_are_left_out_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "Reserve", _RoomForALittle)
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    with _no_file_beyond(3 * 1024 * 1024 + 777):
        _fill(writer)
        writer.conclude([_finding(number, advice="x" * 1000) for number in range(900)], [])
        seal = writer.seal(complete=True, reason="")
    assert load(path).findings == ()
    assert seal.reason.endswith("no verdicts, for lack of space; they can be derived from the evidence")
    assert verify(path).holds


@needs_limit
def test_a_seal_that_cannot_be_written_leaves_the_lines_so_far(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    writer.keep(EXCHANGE)
    writer.flush()
    before = path.read_bytes()
    with _no_file_beyond(len(before) + 100), pytest.raises(RecordError, match="cannot be continued"):
        writer.seal(complete=True, reason="")
    assert path.read_bytes() == before
    found = verify(path)
    assert (found.closed, found.unchanged, found.count) == (False, True, 2)


@needs_limit
def test_closing_without_a_seal_never_raises_and_leaves_whole_lines(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    before = path.read_bytes()
    writer.keep(EXCHANGE)
    with _no_file_beyond(len(before) + 100):
        writer.close()
    assert path.read_bytes() == before


@needs_limit
def test_no_room_for_the_first_line_leaves_nothing_behind(tmp_path: Path) -> None:
    with _no_file_beyond(64 * 1024), pytest.raises(InputError, match="cannot be started") as caught:
        RecordWriter.create(tmp_path / "r.audit.jsonl", _header())
    assert "largest size allowed" in caught.value.problems[0].what
    assert "nothing was asked yet" in caught.value.problems[0].what
    assert list(tmp_path.iterdir()) == []


def test_a_line_from_elsewhere_that_no_reader_would_take_is_refused(tmp_path: Path) -> None:
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", _header())
    with pytest.raises(RecordError, match="too long") as caught:
        writer.write("note", {"text": "y" * LONGEST_LINE})
    assert int(caught.value.problem.found.split()[0]) > LONGEST_LINE
    assert writer.write("weather", {"text": "y"}) == 2
    writer.close()
    assert verify(writer.path).unchanged


def test_nobody_else_reads_a_defect_of_ours(tmp_path: Path) -> None:
    """Too many brackets in a verdict: more than a reader's memory would bear."""
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", _header())
    with pytest.raises(ValueError, match="no reader"):
        writer.conclude([_finding(advice="[" * (MOST_BRACKETS + 1))], [])
    writer.close()


@pytest.mark.skipif(os.name != "posix", reason="folders are not brought to disk there")
def test_what_a_power_failure_must_not_take_is_brought_to_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The head, with the file's name in its folder, before anything is asked; and the seal."""
    synced: list[tuple[int, int]] = []
    bring = os.fsync

    def noted(handle: int) -> None:
        bring(handle)
        told = os.fstat(handle)
        synced.append((told.st_ino, told.st_size))

    monkeypatch.setattr(os, "fsync", noted)
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, _header())
    head = path.stat()
    assert (head.st_ino, head.st_size) in synced
    assert tmp_path.stat().st_ino in {inode for inode, _ in synced}
    assert RESERVE in {size for _, size in synced}, "space that is only promised is none"
    writer.keep(EXCHANGE)
    writer.seal(complete=True, reason="")
    assert synced[-1] == (path.stat().st_ino, path.stat().st_size)


def test_verdicts_are_on_their_way_before_the_seal_is_made(tmp_path: Path) -> None:
    """A signature may be waited for: what was judged is not lost if the program is killed meanwhile."""
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", _header())
    cause = Cause(
        id="C1", kind="k", subjects=("F-01",), statement="s", confidence_permille=1, explains=(), fix="f"
    )
    writer.conclude([_finding()], [cause])
    assert [line["kind"] for line in _lines(writer.path)] == ["head", "finding", "cause"]
    writer.close()


def test_texts_of_one_record_are_not_kept_for_the_next(tmp_path: Path) -> None:
    """Found by the soak: a process that audits again and again kept the texts of thousands of runs."""
    for number in range(3):
        writer = RecordWriter.create(tmp_path / f"{number}.audit.jsonl", _header())
        writer.conclude([_finding(observed=f"{number} of {k}", title=f"{number}/{k}") for k in range(50)], [])
        writer.seal(complete=True, reason="")
    assert {text.partition(" of ")[0] for text in record_line._quoted if " of " in text} == {"2"}
    assert len(record_line._all_frames) == 50


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="open files are counted in another way there")
def test_no_handle_stays_open_behind_a_record(tmp_path: Path) -> None:
    """A process that sweeps for months makes thousands of them."""

    def handles() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    before = handles()
    RecordWriter.create(tmp_path / "a.audit.jsonl", _header()).seal(complete=True, reason="")
    RecordWriter.create(tmp_path / "b.audit.jsonl", _header()).close()
    with pytest.raises(InputError):
        RecordWriter.create(tmp_path / "a.audit.jsonl", _header())
    assert handles() == before


def test_a_long_line_that_readers_bear_is_kept(tmp_path: Path) -> None:
    """Length alone is no harm up to 16 MiB."""
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", _header())
    writer.keep(Note(0, "x", "y" * (2 * MOST_BRACKETS)))
    writer.conclude([_finding(advice="z" * (2 * MOST_BRACKETS))], [])
    writer.seal(complete=True, reason="")
    assert verify(writer.path).holds
    assert len(load(writer.path).findings[0].advice) == 2 * MOST_BRACKETS


def test_what_is_expected_may_be_said_behind_evidence_too(tmp_path: Path) -> None:
    """A record that is gone on with: the lines still follow from each other."""
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", _header())
    writer.keep(EXCHANGE)
    writer.expect([Expectation(check="a", subject="F-01")])
    writer.keep(Note(1, "a", "b"))
    writer.conclude([_finding()], [])
    writer.seal(complete=True, reason="")
    assert [line["kind"] for line in _lines(writer.path)][1:5] == ["exchange", "expected", "note", "finding"]
    assert verify(writer.path).holds
