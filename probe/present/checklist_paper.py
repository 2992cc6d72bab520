"""Checklist paper: the list as a PDF to be filled in by hand; numbers and order are those of the screen.

Set by the same typesetter as the turnover document. The list itself is enclosed, so that the paper can be
typed in later beside the very list that it was printed from.
"""

from __future__ import annotations

from collections.abc import Iterator, Set
from itertools import groupby

import probe
from probe.model.cabling import Equipment
from probe.model.checklist import BEFORE, Checklist, ChecklistLine
from probe.model.device_map import DeviceMap
from probe.model.finding import Verdict
from probe.model.lineup import SourceText
from probe.present.turnover.assembly import PaperSize
from probe.present.turnover.blocks import Block, Column, Heading, Paper, Signature, Signatures, Table, Text
from probe.present.turnover.enclosure import Enclosure
from probe.present.turnover.palette import LAMPS
from probe.present.turnover.printable import file_name
from probe.present.turnover.typeset import pdf
from probe.record.seal import spoken

#: What is ticked by hand, and the room that a value needs.
_BOXES = "□ yes     □ no"
_VALUE = "______________ {}"
_DATE_S = 0  # the paper has no date of its own: it is written on it


def checklist_pdf(checklist: Checklist, drawn: DeviceMap, size: PaperSize, text: SourceText) -> bytes:
    """The printed list. text: the list itself, which the PDF carries inside."""
    enclosed = Enclosure(
        name=file_name(text.name, "checklist.yaml"),
        data=text.text.encode(errors="surrogatepass"),
        title="the checklist that is printed here",
        media="application/yaml",
        relationship="source",
    )
    paper = _paper(checklist, text)
    return pdf(list(_blocks(checklist, drawn)), paper, size.value, (enclosed,), logo=None, date_s=_DATE_S)


def _paper(checklist: Checklist, text: SourceText) -> Paper:
    head = f"{checklist.lineup}, {checklist.site}"
    return Paper(
        language="en",
        title=f"Field checklist {head}",
        author=f"buswitness {probe.__version__}",
        head_left=f"Field checklist {head}",
        head_right=f"list {spoken(text.sha256)}",
        foot_left="Initials: ____________   Date: ____________",
        warning="",
        words={"page": "Page", "caution": "Caution"},
        lamps={v.value: (LAMPS[v][0], v.value, *LAMPS[v][1:]) for v in Verdict},
    )


def _blocks(checklist: Checklist, drawn: DeviceMap) -> Iterator[Block]:
    yield Heading(text=f"Field checklist {checklist.lineup}", side=checklist.site, mark="list")
    yield Text(
        text="Yes means: as it should be. After a no, write what is wrong. Leave a line open that you did "
        "not do, and say why: it counts as not tested. A line that does not apply: cross it out and say "
        "why. Names of photographs go into the last column."
    )
    if BEFORE in checklist.cautions:
        yield Text(text=checklist.cautions[BEFORE], manner="caution")
    yield _cautions_signed(checklist)
    cables = {entry.name for _, _, entry in drawn.cabling.entries() if not isinstance(entry, Equipment)}
    numbered = list(enumerate(checklist.lines, 1))
    for head, group in groupby(numbered, key=lambda one: _head(one[1], cables)):
        yield from _group(checklist, head, list(group))
    yield _signatures()


def _cautions_signed(checklist: Checklist) -> Signatures:
    return Signatures(
        blocks=(
            Signature(
                role="Cautions read and understood",
                meaning="also those that stand before the lines; signed before the first line is begun",
                lines=(("Name", ""), ("Date, signature", "")),
            ),
        )
    )


def _head(line: ChecklistLine, cables: Set[str]) -> str:
    """Under what a line is printed: its cable, or the place where to go."""
    return line.about if line.about in cables else (line.place or line.about)


def _group(checklist: Checklist, head: str, lines: list[tuple[int, ChecklistLine]]) -> Iterator[Block]:
    """The lines of one cable or place, with their cautions before them."""
    where = lines[0][1].place
    is_cable = head == lines[0][1].about and where is not None and where != head
    yield Heading(text=f"{head}, {where}" if is_cable else head, level=2)
    for name in dict.fromkeys(name for _, line in lines for name in line.cautions):
        numbers = ", ".join(str(number) for number, line in lines if name in line.cautions)
        word = "Lines" if "," in numbers else "Line"
        yield Text(text=f"{word} {numbers}: {checklist.cautions[name]}", manner="caution")
    yield Table(
        title=f"Lines of {head}",
        columns=(
            Column("No.", right=True),
            Column("What to look at or measure", 5.2),
            Column("Answer", 2.3),
            Column("What is wrong, why not, photograph", 2.6),
        ),
        rows=tuple((str(number), line.ask, _answer(line), _wanted(line)) for number, line in lines),
    )


def _answer(line: ChecklistLine) -> str:
    if line.measure is None:
        return _BOXES
    return _VALUE.format(next(iter(line.measure.units)))


def _wanted(line: ChecklistLine) -> str:
    return "photograph: " if line.photograph else ""


def _signatures() -> Signatures:
    fields = (("Name", ""), ("Initials", ""), ("Date, signature", ""))
    return Signatures(
        blocks=(
            Signature(role="Filled in by", meaning="who looked and measured", lines=fields),
            Signature(role="Typed in by", meaning="who entered it (checklist enter)", lines=fields),
        )
    )
