"""Assembly: dossier to the blocks of the whole document, and what stands on each of its pages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum

import probe
from probe.model.finding import Verdict
from probe.present.turnover import action, back, conditions, device_page, front
from probe.present.turnover.blocks import Block, Contents, Paper
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.enclosure import Enclosure
from probe.present.turnover.palette import LAMPS
from probe.present.turnover.project import Project
from probe.present.turnover.texts import Texts
from probe.record.seal import spoken

#: From so many devices on, those of which everything passed share a table instead of having a page each:
#: the typesetter's memory grows with the pages (bench/RESULTS.md).
FOLD_FROM = 150


class PaperSize(StrEnum):
    """Sheets that the document can be set on."""

    A4 = "a4"
    LETTER = "letter"


#: Room between the margins, millimetres.
ROOM = {PaperSize.A4: 174.0, PaperSize.LETTER: 179.9}


def blocks(
    dossier: Dossier, project: Project, enclosures: Sequence[Enclosure], t: Texts, size: PaperSize
) -> Iterable[Block]:
    """The document from cover to signatures."""
    width = ROOM[size]
    yield front.cover(dossier, project, t)
    yield Contents(title=t("contents.heading"))
    yield from front.result(dossier, t, width)
    yield from action.causes(dossier, t)
    yield from action.punch_list(dossier, t)
    yield from action.not_tested(dossier, t)
    yield from action.histories(dossier, t)
    yield from conditions.instruments(dossier, t)
    yield from conditions.clocks(dossier, t, width)
    yield from conditions.network(dossier, t)
    folded = len(dossier.devices) >= FOLD_FROM
    yield from device_page.device_pages(dossier, t, width, folded=folded)
    yield from back.method(dossier, t)
    yield from back.cautions(t)
    yield from back.proof(dossier, enclosures, t)
    yield from back.signatures(dossier, project, t)


def paper(dossier: Dossier, project: Project, t: Texts) -> Paper:
    """What stands on every page."""
    content, header = dossier.content, dossier.content.header
    warning = "" if dossier.complete else t("paper.open" if content.seal is None else "paper.incomplete")
    code = spoken(content.code) if content.seal is not None else t("cover.no_seal")
    return Paper(
        language=t("language"),
        title=t("paper.title", lineup=header.lineup, site=header.site),
        author=f"buswitness {probe.__version__}",
        head_left=t("paper.head", lineup=header.lineup, site=header.site),
        head_right=t("paper.record", code=code),
        foot_left=" · ".join(
            filter(None, (project.document or project.number, t("paper.foot", version=probe.__version__)))
        ),
        warning=warning,
        words={"page": t("paper.page"), "caution": t("paper.caution")},
        lamps={v.value: (LAMPS[v][0], t(f"verdict.{v.name.lower()}"), *LAMPS[v][1:]) for v in Verdict},
    )
