"""The command ``report``: a turnover document from a record; and the proof that its pages came from it."""

from __future__ import annotations

import hashlib
import stat
from dataclasses import replace
from pathlib import Path

from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.cli.new_file import make_new
from probe.cli.report_photographs import Photographs, beside
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.present.console import emit_json, say
from probe.present.turnover.assembly import PaperSize
from probe.present.turnover.making import (
    Material,
    NamedBytes,
    Order,
    ReportFormat,
    report,
)
from probe.present.turnover.project import project_from
from probe.record.content import RecordContent, lineup_of, load, load_inside
from probe.record.seal import spoken

REPORT_FORMAT = "buswitness-report/1"
#: Largest record that a PDF is to carry; the typesetter holds all of it in memory.
LARGEST_RECORD = 256 * 1024 * 1024
LARGEST_PART = 64 * 1024 * 1024


def make(
    file: Path,
    *,
    output: Path | None,
    made_as: str | None,
    paper: str,
    project: Path | None,
    as_json: bool,
) -> int:
    """Make the report of a record and say where it is; 0. The exit code says nothing of the lineup.

    Raises InputError (no file, wrong project file, output exists), RecordError (it does not verify).
    """
    kind = _kind(made_as, output)
    size = _paper(paper)
    order = _order(project, size)
    target = output if output is not None else free_report_name(file, kind)
    if target.exists():
        raise InputError([_exists(target)])
    material = material_of(file, with_bytes=kind is ReportFormat.PDF)
    photos = Photographs()
    if kind is ReportFormat.PDF:
        photos = beside(file, material.content, order.further)
        order = replace(order, further=(*order.further, *photos.found))
    data, dossier = report(material, order, kind)
    make_new(target, lambda new: new.write(data))
    content = dossier.content
    document = {
        "format": REPORT_FORMAT,
        "file": str(target),
        "made_as": kind.value,
        "bytes": len(data),
        "sha256": hashlib.sha256(data).hexdigest(),
        "record": {"path": str(file), "code": content.code if content.seal is not None else None},
        "site": content.header.site,
        "lineup": content.header.lineup,
        "verdict": dossier.verdict.value,
        "complete": dossier.complete,
        "why_incomplete": dossier.why_incomplete,
        "photographs": {"enclosed": len(photos.found), "missing": list(photos.missing)},
        "verdicts_came_out_again": None if dossier.differences is None else dossier.differences == 0,
    }
    if as_json:
        emit_json(document)
        return Exit.DONE
    say(f"Report   {target}")
    say(f"Of       {content.header.lineup}, {content.header.site}: {dossier.verdict.value}")
    if not dossier.complete:
        why = dossier.why_incomplete or "the record was not closed"
        say(f"         INCOMPLETE on every page: {why}")
    if content.seal is not None:
        say(f"Seal     {spoken(content.code)}")
    if photos.note:
        say(f"Note     {photos.note}")
    if dossier.differences:
        say(f"Note     {dossier.differences} verdicts are others with this version; see record judge")
    if kind is ReportFormat.PDF:
        say()
        say(f"Next     {command('report', '--verify', target)}")
        say("             takes the record out again and proves that the pages were made from it")
    return Exit.DONE


def make_file(record: Path) -> Path:
    """A new PDF of the record beside it, on the usual paper. Raises InputError, RecordError."""
    data, _ = report(material_of(record), Order(), ReportFormat.PDF)
    path = free_report_name(record, ReportFormat.PDF)
    make_new(path, lambda new: new.write(data))
    return path


def material_of(file: Path, *, with_bytes: bool = True, name: str = "") -> Material:
    """The record and what is inside it. name: instead of the file's own.

    Raises InputError, RecordError; InputError also for a record that is too large to be enclosed.
    """
    content = load(file)
    if not content.header.map_texts:
        raise InputError([_no_run(file)])
    data = _record_bytes(file) if with_bytes else b""
    runs = (
        tuple(load_inside(file, number) for number in range(1, len(content.runs) + 1))
        if content.is_merged
        else ()
    )
    return Material(
        content=content,
        record=NamedBytes(name=name or file.name, data=data),
        lineup_of=_lineup_of,
        runs=runs,
    )


def _lineup_of(content: RecordContent) -> Lineup:
    return lineup_of(content.header)


def _record_bytes(file: Path) -> bytes:
    found = file.stat()
    if not stat.S_ISREG(found.st_mode) or found.st_size > LARGEST_RECORD:
        raise InputError(
            [
                Problem(
                    file=str(file),
                    what="the record is too large to be carried in a PDF",
                    found=f"{found.st_size / 1e6:.0f} MB",
                    allowed=f"at most {LARGEST_RECORD / 1e6:.0f} MB",
                    remedy="pack it (record export), or make an HTML page (--format html)",
                )
            ]
        )
    return file.read_bytes()


def _kind(made_as: str | None, output: Path | None) -> ReportFormat:
    """What is wanted: as said, by the end of the output's name, or a PDF. Raises InputError."""
    names = [kind.value for kind in ReportFormat]
    wanted = made_as
    if wanted is None and output is not None and output.suffix.lower().lstrip(".") in names:
        wanted = output.suffix.lower().lstrip(".")
    return ReportFormat(_one_of("--format", (wanted or "pdf").lower(), names))


def _paper(paper: str) -> PaperSize:
    return PaperSize(_one_of("--paper", paper.lower(), [size.value for size in PaperSize]))


def _one_of(option: str, found: str, names: list[str]) -> str:
    if found not in names:
        raise InputError(
            [Problem(file=option, what="this is none of the choices", found=found, allowed=" ".join(names))]
        )
    return found


def _order(project: Path | None, size: PaperSize) -> Order:
    """How the report is to be made, with every file that the project names. Raises InputError."""
    if project is None:
        return Order(paper=size)
    from probe.collect.inputs import read_bytes

    found, document = project_from(project.as_posix(), read_bytes(project))
    problems: list[Problem] = []
    parts: list[NamedBytes | None] = []
    wanted: list[tuple[str, str | None, tuple[str | int, ...]]] = [
        ("", found.logo, ("logo",)),
        ("", found.texts, ("texts",)),
        *(
            (one.title, one.file, ("attachments", number, "file"))
            for number, one in enumerate(found.attachments)
        ),
    ]
    for title, name, place in wanted:
        try:
            data = b"" if name is None else read_bytes(project.parent / name, limit_bytes=LARGEST_PART)
            parts.append(None if name is None else NamedBytes(name=Path(name).name, data=data, title=title))
        except InputError as error:
            first = error.problems[0]
            problems.append(document.problem(place, first.what, found=str(name), remedy=first.remedy))
    if problems:
        raise InputError(problems)
    logo, texts, *further = parts
    if texts is not None:
        from probe.present.turnover.texts import texts_from

        texts_from((project.parent / str(found.texts)).as_posix(), texts.data)
    return Order(
        paper=size,
        project=found,
        logo=logo,
        texts=texts,
        further=tuple(one for one in further if one is not None),
    )


def free_report_name(record: Path, kind: ReportFormat) -> Path:
    """``x.audit.jsonl`` to ``x.report.pdf`` beside it, or with the next number that is free."""
    name = record.name
    for ending in (".gz", ".zst", ".jsonl", ".audit"):
        name = name.removesuffix(ending)
    path = record.with_name(f"{name}.report.{kind.value}")
    number = 1
    while path.exists():
        number += 1
        path = record.with_name(f"{name}.report-{number}.{kind.value}")
    return path


def _no_run(file: Path) -> Problem:
    return Problem(
        file=str(file),
        what="the record holds no run of a lineup, so there is nothing to report",
        found=", ".join(str(source.relation) for source in load(file).header.sources) or "no map",
        remedy="join it with the run that it is about (record merge), and report that",
    )


def _exists(path: Path) -> Problem:
    return Problem(
        file=str(path), what="there is a file of this name already", remedy="give another name with -o"
    )
