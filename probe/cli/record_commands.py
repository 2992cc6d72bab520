"""The commands ``record show`` and ``record verify``: load, pick what was asked for, print."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from probe.cli.failure import Exit
from probe.cli.finding_choice import chosen_finding
from probe.cli.invocation import command
from probe.model.errors import InputError, Problem, RecordError
from probe.model.evidence import Anchor, Evidence
from probe.model.finding import Finding
from probe.model.nearest import did_you_mean, listed
from probe.present import merge_page, record_machine, record_page
from probe.present.console import clean, console, emit_json
from probe.present.page import facts, page_width, print_rows
from probe.present.row import Piece, Row
from probe.present.signs import Signs, signs_for
from probe.present.verification_page import verification
from probe.record.content import RecordContent, load, load_newer, pieces
from probe.record.content import first_evidence as read_first_evidence
from probe.record.damage import Damage
from probe.record.decoded import Decoding
from probe.record.proof import prove
from probe.record.verify import verify as verify_file

#: Ids that may stand in a line that people paste into a shell; a record may come from anybody.
_TAME = re.compile(r"[A-Za-z0-9@#._/+-]+")


def verify(
    file: Path, *, as_json: bool, trust: Path | None = None, tsa_certificate: Path | None = None
) -> int:
    """Print what the record is worth; exit code 0 if it verifies, else 4. Raises InputError.

    trust: a trust file that must know the key; without it the one beside the record, if there is one.
    tsa_certificate: of the time-stamp authority; the record must then have a time stamp that leads to it.
    """
    proof = prove(file, trust_file=trust, certificate_file=tsa_certificate)
    if as_json:
        emit_json(record_machine.verification_document(proof, str(file)))
    else:
        target = console()
        print_rows(target, verification(proof, page_width(target), str(file)))
    return Exit.DONE if proof.holds else Exit.RECORD_WRONG


def show(file: Path, *, as_json: bool, tag: str | None, finding: str | None) -> int:
    """Print what the record holds: all of it, one device (tag) or one finding (its id).

    Raises InputError (no file, no such tag or finding), RecordError (the record does not verify).
    """
    content, missed = _read(file)
    chosen = _chosen(content, file, tag=tag, finding=finding)
    evidence, total = _evidence(file, chosen, tag=tag, finding=finding)
    if as_json:
        document = record_machine.record_document(
            content,
            chosen,
            evidence,
            file=str(file),
            finished_wall_ns=_finished(file, content),
            decoding=Decoding(content) if finding is not None else None,
        )
        emit_json({**document, "not_understood": dict(missed)} if missed is not None else document)
        return Exit.DONE
    target = console()
    width, signs = page_width(target), signs_for(target.encoding, os.environ.get("TERM", ""))
    rows = [] if missed is None else record_page.newer(content, missed, width)
    if finding is not None:
        rows += _finding_page(content, chosen[0], evidence, width, signs)
        print_rows(target, rows)
        return Exit.DONE
    rows += _record_page(content, file, chosen, tag, width, signs)
    if tag is not None:
        rows += record_page.first_evidence(evidence.items(), total, width)
    print_rows(target, [*rows, Row(), *_next(file, content, chosen, tag)])
    return Exit.DONE


def _read(file: Path) -> tuple[RecordContent, Mapping[str, int] | None]:
    """What the record holds; of a newer format what can be read, with the lines that could not by kind."""
    try:
        content = load(file, with_evidence=False)
        # Without devices a record is small, and its evidence is what it is about (captures).
        return content if content.header.scope.tags or content.is_merged else load(file), None
    except RecordError:
        if verify_file(file).damage is not Damage.NEWER_FORMAT:
            raise
        return load_newer(file)


def _finding_page(
    content: RecordContent, finding: Finding, evidence: Mapping[int, Evidence], width: int, signs: Signs
) -> list[Row]:
    """One finding, its bytes, and what became of it."""
    cause = next((one for one in content.causes if one.id == finding.cause), None)
    rows = record_page.one_finding(finding, cause, evidence, Decoding(content), width, signs)
    own = [one for one in content.histories if one.finding == finding.id]
    return rows + merge_page.histories(own, width, signs)


def _record_page(
    content: RecordContent,
    file: Path,
    chosen: Sequence[Finding],
    tag: str | None,
    width: int,
    signs: Signs,
) -> list[Row]:
    """The record whole, or what it says of one device."""
    rows = record_page.cover(content, width, str(file)) if tag is None else []
    if not content.acceptances:
        rows += record_page.counts(chosen, width, signs)
    if not content.findings and not content.acceptances:
        rows += facts([("", "There are no verdicts: the run did not get so far.")], width)
    rows += record_page.causes([c for c in content.causes if tag is None or tag in c.subjects], width)
    numbers = {one.id: number for number, one in enumerate(content.findings, 1)}
    rows += record_page.findings_by_device(chosen, width, signs, numbers, with_passes=tag is not None)
    about = [one for one in content.histories if one.finding in {f.id for f in chosen}]
    rows += merge_page.histories(about, width, signs)
    return rows + merge_page.acceptances(content.acceptances, width)


def _chosen(content: RecordContent, file: Path, *, tag: str | None, finding: str | None) -> list[Finding]:
    """The findings that were asked for. Raises InputError for a tag or id that the record does not hold."""
    findings = list(content.findings)
    if tag is not None:
        tags = [*content.header.scope.tags, *content.header.scope.left_out]
        if tag not in tags:
            raise InputError([_not_there(file, "--tag", tag, tags, "no device of that tag is in the record")])
        findings = [one for one in findings if one.subject == tag]
    if finding is not None:
        findings = [chosen_finding(findings, file, finding)]
    return findings


def _evidence(
    file: Path, chosen: Sequence[Finding], *, tag: str | None, finding: str | None
) -> tuple[dict[int, Evidence], int]:
    """The evidence to be shown by line number, and how much there is in all."""
    if finding is not None:
        found = pieces(file, frozenset(chosen[0].evidence))
        return found, len(found)
    if tag is not None:
        return read_first_evidence(file, tag, record_page.FIRST_LINES)
    return {}, 0


def _finished(file: Path, content: RecordContent) -> int | None:
    """Wall time of the last anchor, Unix nanoseconds; None if the record is not closed or holds none."""
    if content.seal is None or content.last_anchor == 0:
        return None
    last = pieces(file, frozenset({content.last_anchor})).get(content.last_anchor)
    return last.wall_ns if isinstance(last, Anchor) else None


def _next(file: Path, content: RecordContent, chosen: Sequence[Finding], tag: str | None) -> list[Row]:
    """What to type next; never wrapped, so that it can be copied whole."""
    worst_first = sorted(chosen, key=record_page.badness)
    bad = next((one for one in worst_first if one.evidence and _TAME.fullmatch(one.id)), None)
    lines = []
    if bad is not None:
        lines.append(command("record", "show", file, "--finding", bad.id))
    if tag is None and content.findings and (subject := _worth_a_look(content, bad)):
        lines.append(command("record", "show", file, "--tag", subject))
    lines.append(command("record", "verify", file))
    return [
        Row([Piece("Next  " if n == 0 else " " * 6, "dim"), Piece(clean(line))])
        for n, line in enumerate(lines)
    ]


def _worth_a_look(content: RecordContent, bad: Finding | None) -> str:
    """The tag to look at first: that of the worst finding, or the first one; empty if its name is wild."""
    tags = [tag for tag in content.header.scope.tags if _TAME.fullmatch(tag)]
    if bad is not None and bad.subject in tags:
        return bad.subject
    return tags[0] if tags else ""


def _not_there(file: Path, option: str, found: str, choices: Sequence[str], what: str) -> Problem:
    return Problem(
        file=str(file),
        what=what,
        field=option,
        found=found,
        allowed=listed(choices) or "the record holds none",
        remedy=did_you_mean(found, choices),
    )
