"""The whole document: all parts there, folded where memory would not bear it."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pytest

from probe.model.finding import Verdict
from probe.present.turnover import assembly
from probe.present.turnover.action import punch_rows
from probe.present.turnover.blocks import Block, Cover, Facts, Heading, Items, Signatures, Table, Text
from probe.present.turnover.device_page import Fold, device_pages
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.project import NO_PROJECT
from probe.present.turnover.texts import Texts


def document(dossier: Dossier, t: Texts) -> list[Block]:
    return assembly.blocks(dossier, NO_PROJECT, (), t, assembly.PaperSize.A4)


def test_every_chapter_is_there_and_marks_are_unique(dossier: Dossier, t: Texts) -> None:
    headings = [block for block in document(dossier, t) if isinstance(block, Heading)]
    chapters = [one.mark for one in headings if one.level == 1]
    assert chapters == [
        "result", "causes", "punch", "untested", "instrument", "clocks", "network", "devices",
        "method", "cautions", "proof", "sign",
    ]  # fmt: skip
    marks = [one.mark for one in headings if one.mark]
    assert len(marks) == len(set(marks))
    assert [one.text for one in headings if one.mark.startswith("device-")] == list(
        dossier.content.header.scope.tags
    )


def test_every_open_finding_is_on_the_page_of_its_device(dossier: Dossier, t: Texts) -> None:
    made = list(device_pages(dossier, t, 174.0, Fold.WHOLE))
    items = [item for block in made if isinstance(block, Items) for item in block.items]
    heads = {item.head for item in items}
    told = [text for item in items if item.verdict is Verdict.REVIEW for _, text in item.lines]
    for one in dossier.devices:
        for finding in one.findings:
            if finding.verdict in (Verdict.FAIL, Verdict.REVIEW):
                # those for review that ask for one thing share an entry, which names each
                name = finding.title.partition(", but ")[0]
                alone = finding.title in heads
                together = finding.verdict is Verdict.REVIEW and any(
                    name in text.split("; ") for text in told
                )
                assert alone or together, finding.title


def test_a_signed_record_shows_whose_key_in_groups_to_be_read_aloud(dossier: Dossier, t: Texts) -> None:
    # SHA-256 of the public key of RFC 8032, 7.1, test 1, by hashlib alone
    public = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    printed = hashlib.sha256(bytes.fromhex(public)).hexdigest()
    groups = " ".join(printed[n : n + 4] for n in range(0, 24, 4))
    assert dossier.content.seal is not None
    content = replace(dossier.content, seal=replace(dossier.content.seal, public=public))
    signed = document(replace(dossier, content=content), t)
    pairs = [pair for block in signed if isinstance(block, Facts | Cover)
             for pair in (block.pairs if isinstance(block, Facts) else block.facts)]  # fmt: skip
    assert (t("cover.key"), groups) in pairs
    assert (t("proof.key"), printed) in pairs
    assert (t("cover.key"), t("cover.no_key")) not in pairs
    assert any(isinstance(b, Text) and b.text == t("proof.proves_signed") for b in signed)


def test_tables_are_even(dossier: Dossier, t: Texts) -> None:
    for block in document(dossier, t):
        if isinstance(block, Table):
            assert {len(row) for row in block.rows} <= {len(block.columns)}, block.title


def test_folding_keeps_every_device_and_says_so(
    dossier: Dossier, t: Texts, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = assembly.weight_mib(document(dossier, t))
    monkeypatch.setattr(assembly, "MOST_MIB", whole * 0.9)
    folded = document(dossier, t)
    assert assembly.weight_mib(folded) < whole
    said = " ".join(block.text for block in folded if isinstance(block, Text))
    assert "In a lineup of this size" in said
    monkeypatch.setattr(assembly, "MOST_MIB", 0.0)
    rows = next(b for b in document(dossier, t) if isinstance(b, Table) and b.title == t("devices.rows"))
    assert [row[1] for row in rows.rows] == list(dossier.content.header.scope.tags)


def test_the_signatures_say_when_the_audit_is_incomplete(dossier: Dossier, t: Texts) -> None:
    def tail(told: Dossier) -> list[str]:
        made = document(told, t)
        assert isinstance(made[-2], Signatures)
        return [block.text for block in made[-6:] if isinstance(block, Text)]

    assert t("sign.incomplete") in tail(dossier)
    assert t("sign.incomplete") not in tail(replace(dossier, complete=True))
    assert assembly.paper(replace(dossier, complete=True), NO_PROJECT, t).warning == ""
    assert assembly.paper(dossier, NO_PROJECT, t).warning == "INCOMPLETE"


def test_the_punch_list_holds_every_open_finding_alone_or_in_a_line_with_others(
    dossier: Dossier, t: Texts
) -> None:
    rows = punch_rows(dossier, t)
    said = " | ".join(f"{subject} {what}" for _, subject, what, _ in rows)
    for finding in dossier.content.findings:
        if finding.verdict in (Verdict.FAIL, Verdict.REVIEW):
            assert finding.title.partition(", but ")[0] in said, finding.id
    untested = sum(f.verdict is Verdict.NOT_TESTED for f in dossier.content.findings)
    counted = sum(
        int(what.partition(" ")[0]) for verdict, _, what, _ in rows if verdict is Verdict.NOT_TESTED
    )
    assert counted == untested
    order = [verdict for verdict, *_ in rows]
    assert order == sorted(order, key=[Verdict.FAIL, Verdict.REVIEW, Verdict.NOT_TESTED].index)
