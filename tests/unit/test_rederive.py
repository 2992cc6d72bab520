"""Why a verdict is another one now: every reason by a record made to show it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import orjson
import pytest

from probe.collect.inputs import open_library
from probe.judge import Conclusion, expected
from probe.model.evidence import JUDGED, Anchor, Note
from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.map_load import load_lineup
from probe.model.scope import Scope
from probe.record.content import RecordContent, lineup_of, load
from probe.record.header import Header
from probe.record.own_code import own_code
from probe.record.rederive import Reason, is_complete, rederive, write
from probe.record.rejudge import judge_again
from probe.record.writer import RecordWriter

MAP = b"""\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - tag: MTR-1
    kind: meter
    profile: meter-float
    section: Main
    address: {host: 127.0.0.1, port: 15020, unit: 1}
"""
VERSION = "9.9.9"
Change = Callable[[tuple[Finding, ...]], tuple[Finding, ...]]


@pytest.fixture(scope="module")
def lineup() -> Lineup:
    return load_lineup("map.yaml", lambda _: MAP, open_library())[0]


def _same(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    return findings


def _content(
    path: Path,
    lineup: Lineup,
    change: Change = _same,
    version: str = VERSION,
    code: str | None = None,
    closed: bool = True,
) -> RecordContent:
    """A record of a silent device, its verdicts changed as asked."""
    scope = Scope(tags=("MTR-1",))
    header = Header.of(
        lineup,
        scope,
        tool_version=version,
        tool_code=own_code() if code is None else code,
        started_wall_ns=0,
    )
    writer = RecordWriter.create(path, header)
    writer.expect(expected(lineup, scope))
    writer.keep(Anchor(0, 0))
    writer.keep(Note(1, JUDGED, "MTR-1"))
    writer.flush()
    if closed:
        conclusion = judge_again(load(path), lineup)
        writer.conclude(change(conclusion.findings), conclusion.causes)
        writer.seal(complete=False, reason="")
    else:
        writer.close()
    return load(path)


def _first_is(**changes: object) -> Change:
    return lambda findings: (findings[0]._replace(**changes), *findings[1:])


def _reasons(content: RecordContent, lineup: Lineup | None = None) -> set[Reason]:
    found = rederive(content, lineup or lineup_of(content.header), version=VERSION)
    return {one.reason for one in found.differences}


def test_nothing_differs(tmp_path: Path, lineup: Lineup) -> None:
    found = rederive(_content(tmp_path / "r", lineup), lineup, version=VERSION)
    assert (found.equal, found.differences) == (True, ())


def test_a_verdict_that_does_not_follow_has_no_reason(tmp_path: Path, lineup: Lineup) -> None:
    content = _content(tmp_path / "r", lineup, _first_is(verdict=Verdict.PASS))
    found = rederive(content, lineup, version=VERSION)
    assert [(one.reason, one.changes_verdict) for one in found.differences] == [(Reason.NONE, True)]


def test_a_word_that_differs_is_a_difference_too(tmp_path: Path, lineup: Lineup) -> None:
    found = rederive(_content(tmp_path / "r", lineup, _first_is(observed="x")), lineup, version=VERSION)
    assert [(one.reason, one.changes_verdict) for one in found.differences] == [(Reason.NONE, False)]


@pytest.mark.parametrize(
    ("version", "code", "change", "reason"),
    [
        ("9.9.8", None, _first_is(verdict=Verdict.PASS), Reason.OTHER_VERSION),
        ("9.9.8", None, _first_is(rule="an older rule"), Reason.OTHER_RULE),
        ("9.9.8", None, _first_is(check="retired.check"), Reason.OLD_CHECK),
        (VERSION, "0" * 64, _first_is(verdict=Verdict.PASS), Reason.OTHER_BUILD),
        (VERSION, "", _first_is(verdict=Verdict.PASS), Reason.NONE),
    ],
)
def test_other_versions_and_builds(
    tmp_path: Path, lineup: Lineup, version: str, code: str | None, change: Change, reason: Reason
) -> None:
    assert reason in _reasons(_content(tmp_path / "r", lineup, change, version, code))


def test_a_check_that_the_old_version_did_not_have(tmp_path: Path, lineup: Lineup) -> None:
    def without(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
        return tuple(one for one in findings if one.check != findings[0].check)

    assert _reasons(_content(tmp_path / "r", lineup, without, "9.9.8")) == {Reason.NEW_CHECK}


def test_a_corrected_map_is_the_reason(tmp_path: Path, lineup: Lineup) -> None:
    other = load_lineup("map.yaml", lambda _: MAP.replace(b"unit: 1", b"unit: 2"), open_library())[0]
    content = _content(tmp_path / "r", lineup, _first_is(verdict=Verdict.PASS))
    assert _reasons(content, other) == {Reason.OTHER_TEXTS}


def test_a_killed_run_gave_no_verdicts(tmp_path: Path, lineup: Lineup) -> None:
    content = _content(tmp_path / "r", lineup, closed=False)
    found = rederive(content, lineup, version=VERSION)
    assert {one.reason for one in found.differences} == {Reason.NOT_CLOSED}
    complete, why = is_complete(content, found.conclusion)
    assert (complete, "killed" in why) == (False, True)


def test_the_code_of_the_judging_parts_is_that_of_the_files(tmp_path: Path) -> None:
    """By hand, as an independent second count."""
    import hashlib

    import probe

    root = Path(probe.__file__).parent
    files = sorted(path for name in ("desk", "judge", "model") for path in (root / name).rglob("*.py"))
    whole = b""
    for path in files:
        data = path.read_bytes()
        whole += f"{path.relative_to(root).as_posix()} {len(data)}\n".encode() + data
    own_code.cache_clear()
    assert own_code() == hashlib.sha256(whole).hexdigest()


def test_a_difference_names_the_fields_that_differ(tmp_path: Path, lineup: Lineup) -> None:
    content = _content(tmp_path / "r", lineup, _first_is(observed="x", danger=7))
    (found,) = rederive(content, lineup, version=VERSION).differences
    assert found.fields == ("observed", "danger")
    gone = rederive(_content(tmp_path / "s", lineup, lambda f: f[1:], "9.9.8"), lineup, version=VERSION)
    (missing,) = gone.differences
    assert (missing.before, missing.fields, missing.changes_verdict) == (None, (), True)


def test_causes_that_differ_are_told_where_there_were_verdicts(tmp_path: Path, lineup: Lineup) -> None:
    content = _content(tmp_path / "r", lineup)
    cause = Cause(
        id="c9", kind="k", subjects=(), statement="", confidence_permille=1, explains=(), fix=""
    )  # fmt: skip
    found = rederive(replace(content, causes=(*content.causes, cause)), lineup, version=VERSION)
    assert (found.differences, found.causes_differ, found.equal) == ((), True, False)
    killed = replace(content, findings=(), causes=(cause,))
    assert rederive(killed, lineup, version=VERSION).causes_differ is False


def test_of_findings_with_the_same_name_none_is_lost(tmp_path: Path, lineup: Lineup) -> None:
    def thrice(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
        return (findings[0], *findings, findings[0])

    found = rederive(_content(tmp_path / "r", lineup, thrice), lineup, version=VERSION)
    name = found.conclusion.findings[0].id
    assert [one.id for one in found.differences] == [f"{name} (2)", f"{name} (3)"]
    assert all(one.after is None for one in found.differences)


def _closed(content: RecordContent, *, complete: bool = True, reason: str = "") -> RecordContent:
    assert content.seal is not None
    return replace(content, seal=replace(content.seal, complete=complete, reason=reason))


def _missing(many: int) -> Conclusion:
    due = tuple(Expectation(check="a.b", subject=f"F-{n}") for n in range(many))
    return Conclusion(findings=(), causes=(), expectations=due)


@pytest.mark.parametrize(
    ("many", "told"),
    [
        (1, "1 required verdicts could not be given: F-0"),
        (5, "5 required verdicts could not be given: F-0, F-1, F-2, F-3, F-4"),
        (6, "6 required verdicts could not be given: F-0, F-1, F-2, F-3, F-4 and 1 more"),
        (7, "7 required verdicts could not be given: F-0, F-1, F-2, F-3, F-4 and 2 more"),
    ],
)
def test_a_run_without_every_required_verdict_is_not_complete(
    tmp_path: Path, lineup: Lineup, many: int, told: str
) -> None:
    content = _closed(_content(tmp_path / "r", lineup))
    assert is_complete(content, _missing(many)) == (False, told)
    assert is_complete(content, _missing(0)) == (True, "")


def test_a_subject_is_named_once_however_many_of_its_verdicts_are_missing(
    tmp_path: Path, lineup: Lineup
) -> None:
    due = tuple(Expectation(check=f"a.{n}", subject="F-1") for n in range(9))
    conclusion = Conclusion(findings=(), causes=(), expectations=due)
    told = is_complete(_closed(_content(tmp_path / "r", lineup)), conclusion)
    assert told == (False, "9 required verdicts could not be given: F-1")


def test_a_run_that_was_interrupted_is_never_complete_however_it_is_judged(
    tmp_path: Path, lineup: Lineup
) -> None:
    """By its seal's reason, else by its note, else in plain words; and so for a device that was not done."""
    content = _closed(_content(tmp_path / "r", lineup))
    notes = content.evidence[Note]
    stopped = {**content.evidence, Note: (*notes, (9, Note(5, "interrupted", "Ctrl-C")))}
    assert is_complete(replace(content, evidence=stopped), _missing(0)) == (False, "Ctrl-C")
    told = _closed(replace(content, evidence=stopped), reason="stopped by hand")
    assert is_complete(told, _missing(0)) == (False, "stopped by hand")
    undone = replace(content, evidence={Note: ()})
    assert is_complete(undone, _missing(0)) == (False, "the run was interrupted")
    said = replace(content, evidence={Note: (*notes, (9, Note(5, "said", "Ctrl-C")))})
    assert is_complete(said, _missing(0)) == (True, "")


def test_without_verdicts_the_seal_has_the_last_word(tmp_path: Path, lineup: Lineup) -> None:
    """A full disk: the verdicts were left out, and the seal says so."""
    content = replace(_content(tmp_path / "r", lineup), findings=())
    full = _closed(content, complete=False, reason="the disk is full")
    assert is_complete(full, _missing(0)) == (False, "the disk is full")
    assert is_complete(_closed(content), _missing(0)) == (True, "")
    judged = _closed(_content(tmp_path / "s", lineup), complete=False, reason="verdicts were missing then")
    assert is_complete(judged, _missing(0)) == (True, ""), "with this version nothing is missing"


def test_lines_of_a_newer_kind_are_passed_on_in_their_place(tmp_path: Path, lineup: Lineup) -> None:
    scope = Scope(tags=("MTR-1",))
    header = Header.of(lineup, scope, tool_version=VERSION, started_wall_ns=0)
    writer = RecordWriter.create(tmp_path / "old", header)
    writer.keep(Anchor(0, 0))
    writer.write("weather", {"sky": "grey"})
    writer.keep(Note(1, JUDGED, "MTR-1"))
    writer.seal(complete=True, reason="")
    old = load(writer.path)
    again = RecordWriter.create(tmp_path / "new", header)
    conclusion, seal = write(again, old, lineup)
    new = load(again.path)
    kinds = [orjson.loads(raw)["kind"] for raw in again.path.read_bytes().splitlines()]
    assert [kind for kind in kinds if kind in ("anchor", "weather", "note")] == ["anchor", "weather", "note"]
    assert [(kind, body) for _, kind, body in new.others] == [("weather", {"sky": "grey"})]
    assert (new.findings, new.expectations) == (conclusion.findings, tuple(expected(lineup, scope)))
    assert (seal.complete, seal.reason) == is_complete(old, conclusion)
    assert [piece for _, piece in new.evidence[Note]] == [piece for _, piece in old.evidence[Note]]
