"""The record commands as a user sees them: text, JSON, exit codes, and nothing hostile on the terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from probe.cli.record_commands import show, verify
from probe.cli.record_export_command import export
from probe.cli.record_merge_commands import accept, merge
from probe.model.errors import InputError, RecordError
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.finding import Cause, Finding, Verdict
from probe.model.scope import Scope
from probe.record.header import Header, Instrument
from probe.record.writer import RecordWriter

SAMPLE = Path(__file__).parents[1] / "records" / "format-1.audit.jsonl"
Capture = pytest.CaptureFixture[str]


def test_show_tells_the_cover_the_causes_and_the_worst_first(capsys: Capture) -> None:
    assert show(SAMPLE, as_json=False, tag=None, finding=None) == 0
    text = capsys.readouterr().out
    for words in (
        "Tarn Hollow Water Works",
        "2026-03-14T09:26:53",
        "INCOMPLETE (interrupted by the operator)",
        "1 fail, 1 not tested, 1 review, 1 pass",
        "70 %",
        "connection refused",
        "reach.answers@F-01",
    ):
        assert words in text
    assert text.index("Does not answer") < text.index("Voltage near its limit")
    assert "Answers" not in text, "a pass is counted, not listed"
    assert max(len(line) for line in text.splitlines() if "buswitness record" not in line) <= 80


def test_show_of_a_device_lists_its_passes_and_first_evidence(capsys: Capture) -> None:
    assert show(SAMPLE, as_json=False, tag="MTR-M1", finding=None) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "pass Answers" in text
    assert "function 3 (read holding registers), address 0 (counted from 0), quantity 2" in text
    assert "exception 2 (illegal data address)" in text
    assert "F-01" not in text


def test_show_of_a_finding_prints_the_bytes(capsys: Capture) -> None:
    identity = "register.range@MTR-M1#voltage_a"
    assert show(SAMPLE, as_json=False, tag=None, finding=identity) == 0
    text = capsys.readouterr().out
    assert "00 01 00 00 00 06 01 03 00 00 00 02" in text
    assert "00 01 00 00 00 07 01 03 04 43 67 00 00" in text
    assert "line 13" in text


def test_show_as_json(capsys: Capture) -> None:
    assert show(SAMPLE, as_json=True, tag="MTR-M1", finding=None) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["format"] == "buswitness-record-show/1"
    assert (document["started"], document["finished"]) == (
        "2026-03-14T09:26:53.000000001Z",
        "2026-03-14T09:26:53.020000001Z",
    )
    assert (document["closed"], document["complete"]) == (True, False)
    assert document["counts"] == {"fail": 0, "not tested": 1, "review": 1, "pass": 1}
    assert {finding["subject"] for finding in document["findings"]} == {"MTR-M1"}
    assert document["evidence"][2]["request"] == "000100000006010300000002"


@pytest.mark.parametrize(
    ("tag", "finding", "field", "remedy"),
    [("MTR-M2", None, "--tag", "MTR-M1"), (None, "reach.answers@F-02", "--finding", "reach.answers@F-01")],
)
def test_what_is_not_there_is_an_input_error_with_the_nearest(
    tag: str | None, finding: str | None, field: str, remedy: str
) -> None:
    with pytest.raises(InputError) as caught:
        show(SAMPLE, as_json=False, tag=tag, finding=finding)
    problem = caught.value.problems[0]
    assert (problem.field, remedy in problem.remedy) == (field, True)


def test_show_of_a_damaged_record_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bad.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes().replace(b"43670000", b"43680000"))
    with pytest.raises(RecordError, match="changed"):
        show(path, as_json=False, tag=None, finding=None)


def test_show_of_a_killed_run_says_so(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "open.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes()[:4000])
    assert show(path, as_json=False, tag=None, finding=None) == 0
    text = capsys.readouterr().out
    assert "NOT CLOSED" in text
    assert "There are no verdicts" in text
    assert show(path, as_json=True, tag=None, finding=None) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["closed"], document["complete"], document["finished"]) == (False, False, None)


def test_verify_answers_each_question(capsys: Capture) -> None:
    assert verify(SAMPLE, as_json=False) == 0
    lines = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    for line in (
        "The record verifies.",
        "Is it whole? yes 26 good lines",
        "Is it unchanged? yes",
        "First bad line none",
        "Did the run complete? no interrupted by the operator",
        "Who signed it? nobody",
        "Is the signer's key known? not tested nobody signed this record",
        "Can its times be true? yes",
    ):
        assert line in lines
    assert any(line.startswith("Code ") and len(line.split()) == 7 for line in lines)
    assert any("does not prove" in line for line in lines)


def test_verify_names_the_first_bad_line(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "bad.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes().replace(b"43670000", b"43680000", 1))
    assert verify(path, as_json=False) == 4
    text = " ".join(capsys.readouterr().out.split())
    assert "does not verify: changed" in text
    assert "First bad line 11 (changed)" in text
    assert "Do not rely on this file" in text
    assert "Code" not in text


def test_verify_of_a_prefix_is_calm(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "cut.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes()[:4000])
    assert verify(path, as_json=False) == 4
    text = " ".join(capsys.readouterr().out.split())
    assert "Is it unchanged? yes up to where it ends" in text
    assert "nothing before the end was changed" in text
    assert "Do not rely" not in text


def test_verify_as_json_has_the_fields_of_the_design(tmp_path: Path, capsys: Capture) -> None:
    assert verify(SAMPLE, as_json=True) == 0
    good = json.loads(capsys.readouterr().out)
    wanted = {"whole": True, "unchanged": True, "first_bad_line": None, "complete": False}
    wanted |= {"sealed_by": None, "key_known": None}
    assert {name: good[name] for name in wanted} == wanted
    path = tmp_path / "bad.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes().replace(b"record/1", b"record/2", 1))
    assert verify(path, as_json=True) == 4
    bad = json.loads(capsys.readouterr().out)
    assert (bad["whole"], bad["unchanged"], bad["damage"]) == (False, None, "newer format")


HOSTILE = "\x1b[2J\x1b]0;gone\x07[red]\u202eevil\u2066\x00\x9b31m\r\n\u2028\u200b\ufeff\x7f"


def _hostile_record(path: Path) -> None:
    """A record, well formed, in which every text that anybody may have written is hostile."""
    header = Header(
        tool_version=HOSTILE,
        site=HOSTILE,
        lineup=HOSTILE,
        map_texts=(),
        profile_texts=(),
        scope=Scope(tags=(HOSTILE,)),
        started_wall_ns=0,
        instrument=Instrument(host_name=HOSTILE, system=HOSTILE, addresses=(HOSTILE,), clock=HOSTILE),
        operator=HOSTILE,
    )
    writer = RecordWriter.create(path, header)
    number = writer.keep(
        Exchange(HOSTILE, Purpose.POLL, Framing.MBAP, 0, 1, 1, 2, Outcome.DATA, 0, b"", b"\x1b[2J")
    )
    finding = Finding(
        check=HOSTILE,
        subject=HOSTILE,
        verdict=Verdict.FAIL,
        title=HOSTILE,
        observed=HOSTILE,
        expected=HOSTILE,
        unit=HOSTILE,
        uncertainty=HOSTILE,
        rule=HOSTILE,
        advice=HOSTILE,
        point=HOSTILE,
        cause=HOSTILE,
        evidence=(number,),
    )
    cause = Cause(
        id=HOSTILE,
        kind=HOSTILE,
        subjects=(HOSTILE,),
        statement=HOSTILE,
        confidence_permille=500,
        explains=(finding.id,),
        fix=HOSTILE,
    )
    writer.conclude([finding], [cause])
    writer.seal(complete=False, reason=HOSTILE)


@pytest.mark.parametrize("what", ["all", "tag", "finding", "verify", "merge", "accept", "csv"])
def test_a_hostile_record_does_nothing_to_the_terminal(tmp_path: Path, capsys: Capture, what: str) -> None:
    path = tmp_path / "hostile.audit.jsonl"
    _hostile_record(path)
    made = tmp_path / "made.audit.jsonl"
    if what == "verify":
        verify(path, as_json=False)
    elif what == "merge":
        merge([path], record=made, sign=False, as_json=False)
        show(made, as_json=False, tag=None, finding="1")
    elif what == "accept":
        accept(path, finding="1", by=HOSTILE, reason=HOSTILE, record=made, sign=False, as_json=False)
        show(made, as_json=False, tag=None, finding=None)
    elif what == "csv":
        export(path, punch_list=False, form="csv", compress="", source=0, output=None)
    else:
        identity = f"{HOSTILE}@{HOSTILE}#{HOSTILE}"
        show(
            path,
            as_json=False,
            tag=HOSTILE if what == "tag" else None,
            finding=identity if what == "finding" else None,
        )
    text = capsys.readouterr().out
    assert "evil" in text
    assert [sign for sign in text if sign != "\n" and not sign.isprintable()] == []
    assert not set(text) & set("\u202e\u2066\u200b\ufeff\u2028")


def test_a_hostile_id_is_not_offered_to_be_pasted_into_a_shell(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "hostile.audit.jsonl"
    _hostile_record(path)
    show(path, as_json=False, tag=None, finding=None)
    text = capsys.readouterr().out
    assert "--finding" not in text
    assert "--tag" not in text


def test_names_in_a_record_lead_nowhere_on_disk(tmp_path: Path) -> None:
    """File names inside a merged record are shown, never opened or written."""
    record = tmp_path / "..evil.audit.jsonl"
    record.write_bytes(SAMPLE.read_bytes())
    made = tmp_path / "sub" / "made.audit.jsonl"
    made.parent.mkdir()
    merge([record], record=made, sign=False, as_json=True)
    record.unlink()
    assert verify(made, as_json=True) == 0
    out = tmp_path / "sub" / "out.audit.jsonl"
    export(made, punch_list=False, form="", compress="", source=1, output=out)
    assert out.read_bytes() == SAMPLE.read_bytes()
    assert sorted(path.name for path in tmp_path.rglob("*.jsonl")) == ["made.audit.jsonl", "out.audit.jsonl"]
