"""What the document says of a record: recorded verdicts, values decoded from the bytes, links."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

from probe.cli.report_command import material_of
from probe.judge.facts import Reach
from probe.model.finding import Verdict
from probe.present.turnover.action import punch_rows, without_numbers
from probe.present.turnover.dossier import Dossier, _of_one_unit
from probe.present.turnover.making import Material, told
from probe.present.turnover.texts import Texts

SAMPLE = Path(__file__).parents[3] / "records" / "report.audit.jsonl"


def test_verdicts_are_those_of_the_record(material: Material, dossier: Dossier) -> None:
    assert sum(len(one.findings) for one in dossier.devices) + len(dossier.lineup_findings) == len(
        material.content.findings
    )
    assert (dossier.verdict, dossier.complete) == (Verdict.FAIL, False)
    assert dossier.by_tag["MC-1"].verdict is Verdict.PASS


def test_values_are_decoded_from_the_bytes(dossier: Dossier) -> None:
    point, reading = dossier.by_tag["52-M1"].readings["frequency"]
    assert point.unit == "Hz"
    assert 59 < float(reading.value) < 61
    assert not dossier.by_tag["52-F1"].readings


def test_a_silent_device_is_shown_as_one(dossier: Dossier) -> None:
    silent = dossier.by_tag["52-F1"]
    assert silent.reach is Reach.SILENT
    assert silent.replies
    assert silent.clock is not None
    assert silent.clock.state is None


def test_links_count_what_was_opened(dossier: Dossier) -> None:
    assert {tag for link in dossier.links for tag in link.tags} == set(dossier.by_tag)
    assert all(link.opened >= 1 for link in dossier.links)


def test_a_killed_run_is_shown_by_what_follows_from_its_evidence(
    dossier: Dossier, t: Texts, tmp_path: Path
) -> None:
    lines = SAMPLE.read_bytes().splitlines(keepends=True)
    evidence = [
        line for line in lines if not line.startswith((b'{"body":{"advice"', b'{"body":{"confidence'))
    ]
    killed = tmp_path / "killed.audit.jsonl"
    killed.write_bytes(b"".join(evidence[:-1]))
    seen = told(material_of(killed))
    assert (seen.derived, seen.complete, seen.verdict) == (True, False, Verdict.FAIL)
    failed, recorded = (
        {f.id for f in one.content.findings if f.verdict is Verdict.FAIL} for one in (seen, dossier)
    )
    assert failed == {one for one in recorded if not one.endswith("#hostile")}  # that one was put in by hand
    assert {row[0] for row in punch_rows(seen, t)} >= {Verdict.FAIL, Verdict.NOT_TESTED}
    assert seen.finished_wall_ns > seen.content.header.started_wall_ns


def test_a_run_that_was_killed_at_once_is_no_pass_and_has_everything_open(t: Texts, tmp_path: Path) -> None:
    killed = tmp_path / "killed.audit.jsonl"
    lines = SAMPLE.read_bytes().splitlines(keepends=True)
    killed.write_bytes(
        b"".join(line for line in lines[:200] if b'"kind":"expected"' in line or line == lines[0])
    )
    seen = told(material_of(killed))
    assert seen.verdict in (Verdict.FAIL, Verdict.NOT_TESTED)
    assert {one.verdict for one in seen.devices} == {Verdict.NOT_TESTED}
    assert punch_rows(seen, t)


def test_reasons_that_differ_by_numbers_alone_are_one_and_tags_are_no_numbers() -> None:
    apart = without_numbers(["it takes 9.5 s", "it takes 8 s", "no values came from 52-F1", "waits 3 s"])
    assert apart["it takes 9.5 s"] == apart["it takes 8 s"] == "it takes … s"
    assert apart["no values came from 52-F1"] == "no values came from 52-F1"
    assert apart["waits 3 s"] == "waits 3 s"


def test_a_retest_adds_to_what_was_read_of_the_same_unit_and_of_no_other() -> None:
    def run(**said: str) -> SimpleNamespace:
        return SimpleNamespace(
            identity_of=lambda tag: {f"identity.{name}": text for name, text in said.items()}
        )

    seen = {
        1: run(serial="A1", firmware="2.0"),
        2: run(serial="A1"),
        3: run(serial="B2"),
        4: run(serial="B2"),
    }
    assert _of_one_unit([1, 2], seen, "52-M1") == [1, 2]  # type: ignore[arg-type]
    assert _of_one_unit([1, 2, 3, 4], seen, "52-M1") == [3, 4]  # type: ignore[arg-type]
    assert _of_one_unit([4], seen, "52-M1") == [4]  # type: ignore[arg-type]
