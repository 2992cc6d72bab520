"""Assembly: dossier to the blocks of the whole document, and what stands on each of its pages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum

import probe
from probe.model.finding import Verdict
from probe.present.turnover import (
    action,
    back,
    checklist_chapter,
    conditions,
    desk_chapter,
    device_page,
    front,
    network_chapter,
    settings_chapter,
    wire_chapter,
    witness_chapter,
)
from probe.present.turnover.blocks import Beside, Block, Contents, Drawing, Items, Paper, Picture, Table
from probe.present.turnover.device_page import Fold
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.enclosure import Enclosure
from probe.present.turnover.palette import LAMPS
from probe.present.turnover.project import Project
from probe.present.turnover.texts import Texts
from probe.record.seal import spoken

#: Memory that the typesetter needs, MiB, as measured (bench/turnover.py): for one cell of a table, one
#: thousand signs of text, one part of a drawing.
CELL_MIB, SIGNS_MIB, SHAPE_MIB = 0.026, 0.2, 0.007
#: What a document may need; with the record and the program it stays within 1 GiB then.
MOST_MIB = 640.0


class PaperSize(StrEnum):
    """Sheets that the document can be set on."""

    A4 = "a4"
    LETTER = "letter"


#: Room between the margins, millimetres.
ROOM = {PaperSize.A4: 174.0, PaperSize.LETTER: 179.9}


def blocks(
    dossier: Dossier, project: Project, enclosures: Sequence[Enclosure], t: Texts, size: PaperSize
) -> list[Block]:
    """The document from cover to signatures: with a page for each device, or as much as memory bears."""
    for fold in Fold:
        made = list(_blocks(dossier, project, enclosures, t, ROOM[size], fold))
        if weight_mib(made) <= MOST_MIB:
            break
    return made


def _blocks(
    dossier: Dossier,
    project: Project,
    enclosures: Sequence[Enclosure],
    t: Texts,
    width: float,
    fold: Fold,
) -> Iterable[Block]:
    yield front.cover(dossier, project, t)
    yield Contents(title=t("contents.heading"))
    yield from front.result(dossier, t, width)
    yield from action.causes(dossier, t)
    yield from action.punch_list(dossier, t)
    yield from action.not_tested(dossier, t)
    yield from action.histories(dossier, t)
    yield from conditions.instruments(dossier, t)
    yield from conditions.clocks(dossier, t, width)
    yield from settings_chapter.settings(dossier, t)
    yield from witness_chapter.witness(dossier, t)
    yield from checklist_chapter.checklist(dossier, enclosures, t)
    yield from desk_chapter.desk(dossier, t)
    yield from conditions.network(dossier, t)
    yield from wire_chapter.wire(dossier, t)
    yield from network_chapter.found_network(dossier, t, width)
    yield from device_page.device_pages(dossier, t, width, fold)
    yield from back.method(dossier, t)
    yield from back.cautions(t)
    yield from back.proof(dossier, enclosures, t)
    yield from back.signatures(dossier, project, t)


def weight_mib(made: Iterable[Block]) -> float:
    """About how much memory the typesetter needs for the blocks."""
    return sum(_weight(block) for block in made)


def _weight(block: Block) -> float:
    if isinstance(block, Beside):
        return weight_mib((*block.left, *block.right))
    if isinstance(block, Drawing):
        return len(block.shapes) * SHAPE_MIB
    if isinstance(block, Picture):
        return len(block.svg) / 2_000
    if isinstance(block, Table):
        return sum(CELL_MIB + len(cell) * SIGNS_MIB / 1000 for row in block.rows for cell in row)
    if isinstance(block, Items):
        signs = sum(len(item.head) + sum(len(text) for _, text in item.lines) for item in block.items)
        return signs * SIGNS_MIB / 1000
    return 0.02


def paper(dossier: Dossier, project: Project, t: Texts) -> Paper:
    """What stands on every page."""
    content, header = dossier.content, dossier.content.header
    warning = "" if dossier.complete else t("paper.open" if content.seal is None else "paper.incomplete")
    closed = content.seal is not None
    record = t("paper.record", code=spoken(content.code)) if closed else t("paper.record_open")
    return Paper(
        language=t("language"),
        title=t("paper.title", lineup=header.lineup, site=header.site),
        author=f"buswitness {probe.__version__}",
        head_left=t("paper.head", lineup=header.lineup, site=header.site),
        head_right=record,
        foot_left=" · ".join(
            filter(None, (project.document or project.number, t("paper.foot", version=probe.__version__)))
        ),
        warning=warning,
        words={"page": t("paper.page"), "see": t("paper.see"), "caution": t("paper.caution")},
        lamps={v.value: (LAMPS[v][0], t(f"verdict.{v.name.lower()}"), *LAMPS[v][1:]) for v in Verdict},
    )
