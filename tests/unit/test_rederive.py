"""Why a verdict is another one now: every reason by a record made to show it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from probe.collect.inputs import open_library
from probe.judge import expected
from probe.model.evidence import JUDGED, Anchor, Note
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.map_load import load_lineup
from probe.model.scope import Scope
from probe.record.content import RecordContent, lineup_of, load
from probe.record.header import Header
from probe.record.own_code import own_code
from probe.record.rederive import Reason, is_complete, rederive
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
