"""Content: what a record holds, ready to be shown or judged again.

A record that was damaged is refused (``record verify`` says where); one that was not closed is read up to
its end or its cut, and says so. Lines of kinds that this version does not know are kept and passed on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO, Any

from probe.model.errors import Problem, RecordError
from probe.model.evidence import Anchor, Evidence, Exchange
from probe.model.finding import Cause, Expectation, Finding
from probe.model.lineup import Lineup
from probe.record.body import cause_from, evidence_from, expectations_from, finding_from
from probe.record.bulk import Bulk
from probe.record.damage import Damage, diagnose
from probe.record.embedded import EMBEDDED, Inner, line_inside, lines_of
from probe.record.header import Header, Relation, header_from
from probe.record.history import Acceptance, History, acceptance_from, history_from
from probe.record.line import NO_LINE
from probe.record.packed import trouble_of
from probe.record.reader import (
    Chain,
    NotALineError,
    RawLine,
    ReadLine,
    Walk,
    open_record,
    parse,
    raw_lines,
)
from probe.record.seal import Seal
from probe.record.verify import verify


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordContent:
    """All that a record holds. Evidence stands under its type, each piece with its sequence number.

    seal: None if the record was not closed; then ``cut`` tells whether it ends within a line.
    code: hash of the last line. others: kind and body of lines that this version does not know.
    last_anchor: number of the last anchor, 0 if there is none. runs: the records inside a merged one, whose
    evidence then stands under its number here. histories, acceptances: see ``history``.
    bulk: where the exchanges and strays of devices were left in the file (see ``large``); ``evidence`` then
    holds all else.
    """

    header: Header
    count: int
    code: str
    seal: Seal | None = None
    cut: bool = False
    evidence: Mapping[type, tuple[tuple[int, Any], ...]] = field(default_factory=dict)
    expectations: tuple[Expectation, ...] = ()
    findings: tuple[Finding, ...] = ()
    causes: tuple[Cause, ...] = ()
    others: tuple[tuple[int, str, Mapping[str, Any]], ...] = ()
    last_anchor: int = 0
    runs: tuple[Run, ...] = ()
    histories: tuple[History, ...] = ()
    acceptances: tuple[Acceptance, ...] = ()
    bulk: Bulk | None = None

    @property
    def exchanges(self) -> int:
        """How many exchanges there are."""
        held = len(self.evidence.get(Exchange, ()))
        return held + (self.bulk.exchanges if self.bulk is not None else 0)

    @property
    def is_merged(self) -> bool:
        """True for a record that holds other records."""
        return any(source.relation == Relation.MERGES for source in self.header.sources)


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One record inside a merged one. first: number of its first line here; code: hash of its last line."""

    header: Header
    first: int
    count: int
    code: str


class Gathering:
    """Takes the lines of a record one by one. with_evidence: False lets evidence pass."""

    def __init__(self, *, with_evidence: bool) -> None:
        self.header: Header | None = None
        self.evidence: dict[type, list[tuple[int, Evidence]]] = {}
        self.expectations: list[Expectation] = []
        self.findings: list[Finding] = []
        self.causes: list[Cause] = []
        self.others: list[tuple[int, str, Mapping[str, Any]]] = []
        self.last_anchor = 0
        self.runs: list[Run] = []
        self.histories: list[History] = []
        self.acceptances: list[Acceptance] = []
        self._inner = Inner()
        self._with_evidence = with_evidence

    def take(self, line: ReadLine) -> None:
        """Build what the line holds. Raises KeyError, TypeError or ValueError if it is not its kind."""
        body = line.body
        if line.kind == "head":
            self.header = header_from(body)
            self._inner.begin(self.header)
        elif line.kind == EMBEDDED:
            self._take_embedded(line)
        elif line.kind == "history":
            self.histories.append(history_from(body))
        elif line.kind == "acceptance":
            self.acceptances.append(acceptance_from(body))
        elif line.kind == "expected":
            self.expectations += expectations_from(body)
        elif line.kind == "finding":
            self.findings.append(finding_from(body))
        elif line.kind == "cause":
            self.causes.append(cause_from(body))
        elif line.kind == "seal":
            self._inner.end()
        else:
            self._take_evidence(line.sequence, line.kind, line.body)

    def content(self, chain: Chain | Walk, header: Header, *, cut: bool) -> RecordContent:
        """All that was taken. chain: what proved the lines."""
        return RecordContent(
            header=header,
            count=chain.count,
            code=chain.head,
            seal=chain.seal,
            cut=cut,
            evidence={kind: tuple(items) for kind, items in self.evidence.items()},
            expectations=tuple(self.expectations),
            findings=tuple(self.findings),
            causes=tuple(self.causes),
            others=tuple(self.others),
            last_anchor=self.last_anchor,
            runs=tuple(self.runs),
            histories=tuple(self.histories),
            acceptances=tuple(self.acceptances),
        )

    def _take_evidence(self, number: int, kind: str, body: Mapping[str, Any]) -> None:
        evidence = evidence_from(kind, body)
        if isinstance(evidence, Anchor):
            self.last_anchor = number
        if evidence is None:
            self.others.append((number, kind, body))
        elif self._with_evidence:
            self.evidence.setdefault(type(evidence), []).append((number, evidence))

    def _take_embedded(self, line: ReadLine) -> None:
        """A line of a record inside: its evidence counts under its number here, its verdicts stay its own."""
        inner = self._inner.take(line)
        if inner.kind == "head":
            header = header_from(inner.body)
            self.runs.append(Run(header=header, first=line.sequence, count=0, code=""))
        self.runs[-1] = replace(self.runs[-1], count=inner.sequence, code=inner.digest)
        evidence = evidence_from(inner.kind, inner.body)
        if evidence is not None:
            self._take_evidence(line.sequence, inner.kind, inner.body)


def load(path: Path, *, with_evidence: bool = True) -> RecordContent:
    """What the record holds.

    with_evidence: False leaves the evidence out (a record may be far larger than its findings).
    Raises InputError if there is no readable file, RecordError if it is no record or was damaged.
    """
    gathering = Gathering(with_evidence=with_evidence)
    with open_record(path) as file:
        return gathered(path, file, Walk(file), gathering, gathering.take)


def gathered(
    path: Path, file: IO[bytes], walk: Walk, gathering: Gathering, take: Callable[[ReadLine], None]
) -> RecordContent:
    """What the file holds, all its lines taken one by one. Raises RecordError."""
    for line in walk:
        try:
            take(line)
        except (KeyError, TypeError, ValueError) as error:
            raise refused(path) from error
    cut = walk.stop is not None and diagnose(file, walk).damage is Damage.CUT
    if trouble_of(file):
        raise refused(path)
    if gathering.header is None or (walk.stop is not None and not cut):
        raise refused(path)
    return gathering.content(walk, gathering.header, cut=cut)


def load_inside(path: Path, number: int) -> RecordContent:
    """What record ``number`` (from 1) inside a merged record holds; the merged one was loaded before.

    Raises InputError, RecordError.
    """
    gathering, chain = Gathering(with_evidence=True), Chain()
    for data in lines_of(path, number):
        line, why = chain.take(RawLine(data, True))
        if why or line is None:
            raise refused(path)
        try:
            gathering.take(line)
        except (KeyError, TypeError, ValueError) as error:
            raise _misread_inside(path, number, line) from error
    if gathering.header is None:
        raise refused(path)
    return gathering.content(chain, gathering.header, cut=False)


def _misread_inside(path: Path, number: int, line: ReadLine) -> RecordError:
    """The chain of a record inside holds, but one of its lines is not what its kind needs."""
    what = f"line {line.sequence} of record {number} inside is no proper {line.kind} line"
    return RecordError(Problem(file=str(path), what=what, remedy="get the record itself, not the merged one"))


def load_newer(path: Path) -> tuple[RecordContent, Mapping[str, int]]:
    """What can be read of a record of a newer format, and how many lines of which kind could not.

    Lines must still follow from each other by their hashes; what a seal or signature of that format proves,
    this version cannot tell. Raises RecordError if not even the first line can be read.
    """
    gathering, count, previous = Gathering(with_evidence=True), 0, NO_LINE
    missed: dict[str, int] = {}
    with open_record(path) as file:
        for raw in raw_lines(file):
            try:
                line = parse(raw.data)
            except NotALineError:
                break
            if (line.sequence, line.previous) != (count + 1, previous) or not raw.ended:
                break
            count, previous = line.sequence, line.digest
            try:
                gathering.take(line)
            except (KeyError, TypeError, ValueError):
                missed[line.kind] = missed.get(line.kind, 0) + 1
    if gathering.header is None:
        raise refused(path)
    for _, kind, _ in gathering.others:
        missed[kind] = missed.get(kind, 0) + 1
    chain = Chain()
    chain.count, chain.head = count, previous
    return gathering.content(chain, gathering.header, cut=False), missed


def pieces(path: Path, sequences: frozenset[int]) -> dict[int, Evidence]:
    """The pieces of evidence with these numbers; reads no further than the last of them."""
    found: dict[int, Evidence] = {}
    last = max(sequences, default=0)
    with open_record(path) as file:
        for line in Walk(file):
            if line.sequence > last:
                break
            evidence = _evidence_in(line) if line.sequence in sequences else None
            if evidence is not None:
                found[line.sequence] = evidence
    return found


def first_evidence(path: Path, tag: str, many: int) -> tuple[dict[int, Evidence], int]:
    """The first pieces of evidence that name the tag, by number, and how many there are in all."""
    found: dict[int, Evidence] = {}
    total = 0
    with open_record(path) as file:
        for line in Walk(file):
            evidence = _evidence_in(line)
            if evidence is not None and getattr(evidence, "tag", None) == tag:
                total += 1
                if total <= many:
                    found[line.sequence] = evidence
    return found, total


def _evidence_in(line: ReadLine) -> Evidence | None:
    """The evidence that a line holds, itself or embedded."""
    if line.kind == EMBEDDED:
        _, line = line_inside(line.body)
    return evidence_from(line.kind, line.body)


def lineup_of(header: Header) -> Lineup:
    """The lineup as it was when the record was made, from the texts that it carries.

    Raises InputError if they do not load with this version.
    """
    from probe.model.map_load import lineup_from_texts
    from probe.model.profile_load import ProfileLibrary

    library = ProfileLibrary.of(header.profile_texts)
    lineup = lineup_from_texts(header.map_texts, library, header.study_texts)
    return replace(lineup, sheet_texts=header.sheet_texts) if header.sheet_texts else lineup


def refused(path: Path) -> RecordError:
    """The error for a record that cannot be relied on, with what ``verify`` finds wrong."""
    found = verify(path)
    return RecordError(
        Problem(
            file=str(path),
            line=found.first_bad_line or 0,
            what=f"the record does not verify ({found.damage}): {found.text}",
            remedy="run: buswitness record verify FILE; get the original file",
        )
    )
