"""Joining: records read for a merge, and the merged record written, every one of them whole inside it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

from probe.model.errors import InputError, Problem
from probe.model.evidence import JUDGED, Anchor, Note
from probe.model.finding import Cause, Finding
from probe.record.again import source_of
from probe.record.body import expected_bodies
from probe.record.content import RecordContent, lineup_of, load, load_inside
from probe.record.embedded import EMBEDDED, embedded_body, lines_of
from probe.record.header import Header, Relation, Source
from probe.record.history import Acceptance, history_body
from probe.record.merge import Merged, Part, merge
from probe.record.reader import open_record, raw_lines
from probe.record.rejudge import judge_again
from probe.record.seal import Seal
from probe.record.writer import RecordWriter


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One record to be joined: a run or an acceptance. inside: its number in a merged file, 0 for a file.

    started_wall_ns: when the run began by its own evidence, also for one that was judged again later.
    """

    path: Path
    inside: int
    source: Source
    header: Header
    started_wall_ns: int
    part: Part
    acceptances: tuple[Acceptance, ...] = ()

    @property
    def is_run(self) -> bool:
        """False for a record that only holds acceptances."""
        return not self.acceptances

    def lines(self) -> Iterator[bytes]:
        """The bytes of its whole lines without line ends."""
        if self.inside:
            yield from lines_of(self.path, self.inside)
            return
        with open_record(self.path) as file:
            for raw in islice(raw_lines(file), self.source.count):
                yield raw.data


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """What a merge will write. members: runs in the order of time, then acceptances."""

    members: tuple[Member, ...]
    merged: Merged

    @property
    def last(self) -> Header:
        """The head of the last run: its map and profiles are those of the merged record."""
        return [member for member in self.members if member.is_run][-1].header


def gather(paths: Sequence[Path]) -> Joined:
    """The records read and joined. Raises InputError, RecordError if they cannot be read or do not fit."""
    members: dict[str, Member] = {}
    for path in paths:
        for member in _members(path):
            members.setdefault(member.source.code, member)
    runs = sorted(
        (one for one in members.values() if one.is_run),
        key=lambda one: (one.started_wall_ns, one.header.started_wall_ns),
    )
    accepts = sorted((m for m in members.values() if not m.is_run), key=lambda m: m.header.started_wall_ns)
    if problems := _misfits(paths, runs, accepts):
        raise InputError(problems)
    ordered = _with_offsets((*runs, *accepts))
    parts = [member.part for member in ordered if member.is_run]
    acceptances = tuple(one for member in accepts for one in member.acceptances)
    return Joined(members=tuple(ordered), merged=merge(parts, acceptances))


def write(writer: RecordWriter, joined: Joined) -> Seal:
    """Write the merged record's lines behind its head and seal it. Raises RecordError.

    writer: of a new record whose header names ``sources_of(joined)``.
    """
    merged = joined.merged
    writer.expect(merged.expectations)
    for number, member in enumerate(joined.members, 1):
        for data in member.lines():
            writer.write(EMBEDDED, embedded_body(number, data))
    for history in merged.histories:
        writer.write("history", history_body(history))
    writer.conclude(merged.findings, merged.causes)
    return writer.seal(complete=merged.complete, reason=merged.reason)


def sources_of(joined: Joined) -> tuple[Source, ...]:
    """How the merged record names what it holds."""
    return tuple(member.source for member in joined.members)


def take_out(path: Path, number: int, write_line: Callable[[bytes], object]) -> None:
    """Hand out the lines of record ``number`` inside a merged one, with their line ends.

    Raises InputError if there is none, RecordError if the record does not verify.
    """
    content = load(path, with_evidence=False)
    if not 1 <= number <= len(content.runs):
        held = f"1 to {len(content.runs)}" if content.runs else "none: this is no merged record"
        what = "there is no such record inside"
        raise InputError(
            [Problem(file=str(path), field="--source", what=what, found=str(number), allowed=held)]
        )
    for data in lines_of(path, number):
        write_line(data + b"\n")


def _members(path: Path) -> Iterator[Member]:
    content = load(path)
    if not content.is_merged:
        yield _member(path, 0, content, source_of(content, Relation.MERGES, path))
        return
    sources = [one for one in content.header.sources if one.relation == Relation.MERGES]
    for number, source in enumerate(sources, 1):
        yield _member(path, number, load_inside(path, number), source)


def _member(path: Path, inside: int, content: RecordContent, source: Source) -> Member:
    header = content.header
    notes = content.evidence.get(Note, ())
    anchors = content.evidence.get(Anchor, ())
    started = anchors[0][1].wall_ns if anchors else header.started_wall_ns
    findings, causes = _verdicts(content)
    # Verdicts but no mark at all: of a version that did not mark; its run came to its end.
    marked = [note.text for _, note in notes if note.topic == JUDGED]
    part = Part(
        code=content.code,
        started_wall_ns=started,
        operator=header.operator,
        key=header.key if content.seal is not None else "",
        map_order=_map_order(content),
        tags=header.scope.tags,
        done=frozenset(marked or (header.scope.tags if content.findings else ())),
        findings=findings,
        causes=causes,
        expectations=content.expectations,
        checks=frozenset(header.scope.checks),
    )
    return Member(
        path=path,
        inside=inside,
        source=source,
        header=header,
        started_wall_ns=started,
        part=part,
        acceptances=content.acceptances,
    )


def _verdicts(content: RecordContent) -> tuple[tuple[Finding, ...], tuple[Cause, ...]]:
    """The recorded verdicts, or those that follow from the evidence of a run that was killed before."""
    if content.findings or content.acceptances or not content.header.map_texts:
        return content.findings, content.causes
    conclusion = judge_again(content, lineup_of(content.header))
    return conclusion.findings, conclusion.causes


def _map_order(content: RecordContent) -> tuple[str, ...]:
    header = content.header
    if header.map_texts:
        try:
            return tuple(device.tag for device in lineup_of(header).map.devices)
        except InputError:
            pass  # written by another version: the scope has all tags, if not in the best order
    return (*header.scope.tags, *header.scope.left_out)


def _with_offsets(members: Sequence[Member]) -> list[Member]:
    """The members with the place that their lines will have: behind the head and the expectations."""
    parts = [member.part for member in members if member.is_run]
    line = 1 + len(list(expected_bodies(merge(parts).expectations)))
    placed = []
    for member in members:
        placed.append(replace(member, part=replace(member.part, offset=line)))
        line += member.source.count
    return placed


def _misfits(paths: Sequence[Path], runs: Sequence[Member], accepts: Sequence[Member]) -> list[Problem]:
    if not runs:
        what = "there is no run among these records"
        return [Problem(file=str(paths[0]), what=what, remedy="add the record of the audit itself")]
    first = runs[0]
    problems = []
    for member in (*runs[1:], *accepts):
        if (member.header.site, member.header.lineup) != (first.header.site, first.header.lineup):
            problems.append(
                Problem(
                    file=str(member.path),
                    what="this record is about another lineup",
                    found=f"{member.header.lineup}, {member.header.site}",
                    allowed=f"{first.header.lineup}, {first.header.site}",
                    remedy="merge the records of one lineup",
                )
            )
    codes = {member.source.code for member in runs}
    problems += [
        Problem(
            file=str(member.path),
            what=f"it accepts {one.finding} of a run that is not among these records",
            found=f"code {one.code[:24]}",
            remedy="add the record of that run",
        )
        for member in accepts
        for one in member.acceptances
        if one.code not in codes
    ]
    return problems
