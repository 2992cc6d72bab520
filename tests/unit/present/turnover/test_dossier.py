"""What the document says of a record: recorded verdicts, values decoded from the bytes, links."""

from __future__ import annotations

from probe.judge.facts import Reach
from probe.model.finding import Verdict
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.making import Material


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
