"""Record page: what a saved record says, for people: cover, causes, findings by device, the bytes.

Pure: content in, rows out. Worst first, passes only counted unless one device is asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import PurePosixPath

from probe.judge.repeat import told
from probe.judge.wording import AT_THE_GEAR
from probe.model.capture_evidence import CaptureFile
from probe.model.evidence import Evidence, Exchange, Stray
from probe.model.finding import WORST_FIRST, Cause, Finding, Verdict, worst
from probe.present.exchange_words import (
    at_ns,
    capture_words,
    evidence_words,
    hex_lines,
    milliseconds,
    request_words,
    response_words,
)
from probe.present.page import facts, paragraph
from probe.present.phrase import comparison, with_unit
from probe.present.row import Piece, Row
from probe.present.signs import Signs
from probe.present.summary import clean_advice
from probe.record.content import RecordContent
from probe.record.decoded import Decoding, Field
from probe.record.header import FORMAT, rfc3339
from probe.record.seal import spoken
from probe.record.signing import fingerprint

#: Lines of evidence shown for one device.
FIRST_LINES = 12
#: Decoded values shown for one exchange.
MOST_FIELDS = 40


def cover(content: RecordContent, width: int, file: str) -> list[Row]:
    """What the record is: of what, from when, with what, how it ended."""
    header = content.header
    instrument = header.instrument
    scope = header.scope
    pairs = [
        ("Record", file),
        ("Site", header.site),
        ("Lineup", header.lineup),
        ("Begun", rfc3339(header.started_wall_ns)),
        ("Ended", _ending(content)),
        ("Code", spoken(content.code) if content.seal is not None else ""),
        ("Devices", f"{len(scope.tags)} in the scope, {len(scope.left_out)} left out by the user"),
        ("How", _how(content)),
        *(("Capture", capture_words(one)) for _, one in content.evidence.get(CaptureFile, ())),
        ("Operator", header.operator),
        ("Signed", _signed(content)),
        *_sources(content),
        ("Tool", f"buswitness {header.tool_version}, Python {instrument.python}, {instrument.system}"),
        ("Computer", f"{instrument.host_name}, clock {instrument.clock}"),
        *((("Interface", address)) for address in instrument.addresses),
        *(
            ("Map" if n == 0 else "Include", _named(text.name, text.sha256))
            for n, text in enumerate(header.map_texts)
        ),
        ("Profiles", ", ".join(PurePosixPath(text.name).stem for text in header.profile_texts)),
        *(("Study", _named(text.name, text.sha256)) for text in header.study_texts),
        *(("Worked through", _named(text.name, text.sha256)) for text in header.sheet_texts),
        ("", "Map, profiles and study stand in the record whole."),
    ]
    return facts(pairs, width)


def newer(content: RecordContent, missed: Mapping[str, int], width: int) -> list[Row]:
    """What goes before a record of a newer format: what follows may be incomplete, and proves nothing."""
    kinds = ", ".join(f"{many} of kind {kind}" for kind, many in sorted(missed.items()))
    text = (
        f"This record is of a newer format ({content.header.format}) than this version knows. What it could "
        "read follows; that may not be all that counts, and nothing is proved. Use a newer version."
    )
    rows = paragraph(text, width, style="bold")
    return [
        *rows,
        *facts([("Lines", f"{content.count} read"), ("Not understood", kinds or "none")], width),
        Row(),
    ]


def _signed(content: RecordContent) -> str:
    """By which key; whose it is, ``record verify`` says."""
    if content.header.format != FORMAT:
        return "this version cannot tell"
    if content.seal is None:
        return "no, the record is not closed"
    return f"key {spoken(fingerprint(content.seal.public))}" if content.seal.public else "NOT SIGNED"


def _sources(content: RecordContent) -> list[tuple[str, str]]:
    """The older records that this one names."""
    return [
        (str(source.relation).capitalize(), f"{source.file} (code {spoken(source.code)})")
        for source in content.header.sources
    ]


def _named(name: str, sha256: str) -> str:
    return f"{name} (SHA-256 {spoken(sha256)} ...)"


def _ending(content: RecordContent) -> str:
    seal = content.seal
    if content.header.format != FORMAT:
        return "this version cannot tell: the format is a newer one"
    if seal is None:
        where = "within a line" if content.cut else f"after line {content.count}"
        return f"NOT CLOSED: the record ends {where}, without a seal"
    if seal.complete:
        return f"complete, sealed, {seal.count} lines"
    return f"INCOMPLETE ({seal.reason or 'no reason given'}), sealed, {seal.count} lines"


def _how(content: RecordContent) -> str:
    scope = content.header.scope
    if content.acceptances:
        return "accepted at a desk; nothing was asked"
    if scope.checks:
        whole, single = told(scope.checks)
        return f"a retest of what was open: {whole} devices whole, {single} single checks; identity first"
    if scope.sheets:
        return "people worked through procedures or checklists" + (
            "" if scope.tags else "; no device was asked"
        )
    if content.evidence.get(CaptureFile) and not scope.tags:
        return "traffic was recorded; no device was asked"
    if scope.survey is not None:
        return "a survey of the network; devices were asked who they are"
    if scope.settings_only:
        return "protective settings alone, read twice"
    if scope.quick:
        return "quick: no proof that values are alive, no clocks"
    return f"repeated polls for {scope.dwell_s:g} s" if scope.dwell_s else "two rounds"


def counts(findings: Sequence[Finding], width: int, signs: Signs) -> list[Row]:
    """How many findings have which verdict."""
    said = ", ".join(
        f"{sum(finding.verdict is verdict for finding in findings)} {signs.verdicts[verdict].word}"
        for verdict in WORST_FIRST
    )
    return facts([("Findings", said)], width)


def causes(items: Sequence[Cause], width: int) -> list[Row]:
    """Likely causes with how sure they are, what they explain and what mends them; cautions once, first."""
    if not items:
        return []
    rows = [Row(), Row([Piece("Likely causes", "bold")])]
    if any(AT_THE_GEAR in cause.fix for cause in items):
        rows += paragraph(AT_THE_GEAR, width, style="bold")
    for number, cause in enumerate(items, 1):
        rows += paragraph(cause.statement, width, lead=[Piece(f"{number:>3}  ", "bold")], style="bold")
        pairs = [
            ("sure", f"{cause.confidence_permille / 10:.0f} %"),
            ("devices", ", ".join(cause.subjects)),
            ("mend", clean_advice(cause.fix)),
        ]
        rows += facts(pairs, width, indent=5)
    return rows


def findings_by_device(
    findings: Sequence[Finding],
    width: int,
    signs: Signs,
    numbers: Mapping[str, int],
    *,
    with_passes: bool = False,
) -> list[Row]:
    """Findings grouped by subject, the worst subject and its worst finding first.

    numbers: of findings in the record, by id, as ``--finding`` takes them; empty to show none.
    """
    groups: dict[str, list[Finding]] = {}
    for finding in findings:
        if with_passes or finding.verdict is not Verdict.PASS:
            groups.setdefault(finding.subject, []).append(finding)
    rows: list[Row] = []
    for subject, items in sorted(groups.items(), key=lambda group: min(map(badness, group[1]))):
        lamp = signs.verdicts[worst([finding.verdict for finding in items])]
        rows += [
            Row(),
            *paragraph(subject, width, lead=[Piece(f" {lamp.sign} ", lamp.glow), Piece(" ")], style="bold"),
        ]
        told = [f for f in items if with_passes or f.verdict is not Verdict.NOT_TESTED]
        for finding in sorted(told, key=badness):
            rows += _finding_rows(finding, width, signs, numbers.get(finding.id, 0))
        rows += _untested_rows([finding for finding in items if finding not in told], width, signs)
    return rows


def _untested_rows(items: Sequence[Finding], width: int, signs: Signs) -> list[Row]:
    """What could not be tested on a device, its checks in one paragraph (``--tag`` tells each reason)."""
    if not items:
        return []
    lamp = signs.verdicts[Verdict.NOT_TESTED]
    lead = [Piece(f"{lamp.sign} ", lamp.ink), Piece(f"{lamp.word:<11}", lamp.ink)]
    checks = dict.fromkeys(finding.check for finding in items)
    said = f"{len(items)} verdicts could not be given: {', '.join(checks)}"
    return paragraph(said, width, lead=lead, indent=4)


def badness(finding: Finding) -> tuple[int, int]:
    """Sorts the worst first: by verdict, then by how much it may hurt."""
    return (WORST_FIRST.index(finding.verdict), -finding.danger)


def _finding_rows(finding: Finding, width: int, signs: Signs, number: int) -> list[Row]:
    lamp = signs.verdicts[finding.verdict]
    lead = [Piece(f"{lamp.sign} ", lamp.ink), Piece(f"{lamp.word:<11}", lamp.ink)]
    pairs = [("seen", comparison(finding)), ("id", finding.id + (f" (number {number})" if number else ""))]
    return [
        *paragraph(finding.title, width, lead=lead, indent=4),
        *facts(pairs, width, indent=17),
    ]


def one_finding(
    finding: Finding,
    cause: Cause | None,
    pieces: Mapping[int, Evidence],
    decoding: Decoding,
    width: int,
    signs: Signs,
) -> list[Row]:
    """One finding whole, with the bytes that it rests on. pieces: evidence by number."""
    lamp = signs.verdicts[finding.verdict]
    lead = [Piece(f" {lamp.sign} ", lamp.glow), Piece(f" {lamp.word}: ", "bold")]
    pairs = [
        ("Id", finding.id),
        ("Subject", finding.subject),
        ("Seen", comparison(finding)),
        ("Rule", finding.rule),
        ("Page", f"buswitness checks {finding.check}"),
        ("Do", finding.advice),
        ("Cause", cause.statement if cause is not None else ""),
        ("Evidence", ", ".join(f"line {number}" for number in finding.evidence) or "none"),
    ]
    rows = [*paragraph(finding.title, width, lead=lead, style="bold"), *facts(pairs, width, indent=2)]
    for number in finding.evidence:
        if number in pieces:
            piece = pieces[number]
            rows += [Row(), *_piece_rows(number, piece, width)]
            if isinstance(piece, Exchange):
                rows += _field_rows(decoding.fields(number, piece), finding.point, width)
    return rows


def _field_rows(fields: Sequence[Field], wanted: str, width: int) -> list[Row]:
    """What the bytes say, point by point; of a finding on one point only that one."""
    named = [field for field in fields if field.name == wanted] or list(fields)
    rows = [Row([Piece("    decoded by the profile:", "dim")])] if named else []
    for field in named[:MOST_FIELDS]:
        value = with_unit(field.value, field.unit) or "-"
        worth = "" if field.quality == "good" else f" ({field.quality})"
        lead = [Piece(f"    {field.address:>6}  {field.raw[:16].hex(' ')}  ", "dim")]
        rows += paragraph(f"{field.name or field.title} = {value}{worth}", width, lead=lead)
    if len(named) > MOST_FIELDS:
        rows += paragraph(f"and {len(named) - MOST_FIELDS} more; --json tells all", width, indent=4)
    return rows


def _piece_rows(number: int, evidence: Evidence, width: int) -> list[Row]:
    """One piece of evidence with its raw bytes."""
    moment = f"Line {number}, {milliseconds(at_ns(evidence))} into the run"
    if not isinstance(evidence, Exchange):
        rows = [
            *paragraph(moment, width, style="bold"),
            *paragraph(evidence_words(evidence), width, indent=2),
        ]
        return rows + (_hex_rows("bytes", evidence.data) if isinstance(evidence, Stray) else [])
    title = f"{moment}: {evidence.purpose.value}, round {evidence.round + 1}, attempt {evidence.attempt}"
    return [
        *paragraph(title, width, style="bold"),
        *facts([("asked", request_words(evidence))], width, indent=2),
        *_hex_rows("sent", evidence.request),
        *facts([("came", response_words(evidence))], width, indent=2),
        *_hex_rows("received", evidence.response),
    ]


def _hex_rows(name: str, data: bytes) -> list[Row]:
    """Bytes, never wrapped: what is copied from here must stay in one piece."""
    return [
        Row([Piece(f"    {name if n == 0 else '':<10}", "dim"), Piece(line)])
        for n, line in enumerate(hex_lines(data))
    ]


def first_evidence(items: Iterable[tuple[int, Evidence]], total: int, width: int) -> list[Row]:
    """The first lines of a device's evidence. total: how many there are in all."""
    rows = [Row(), Row([Piece("Evidence", "bold")])]
    shown = 0
    for number, evidence in items:
        lead = [Piece(f"{number:>7}  {milliseconds(at_ns(evidence)):>14}  ", "dim")]
        rows += paragraph(evidence_words(evidence), width, lead=lead)
        shown += 1
    if shown == 0:
        return [*rows, *paragraph("none: this device was never asked", width, indent=2)]
    if total > shown:
        rows += paragraph(f"and {total - shown} more; the whole stands in the record", width, indent=2)
    return rows
