"""HTML page: blocks as one file that needs nothing else: no script, no link, no font from elsewhere.

All texts are escaped; drawings are SVG in the page. A policy in the page forbids whatever might yet slip in.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable
from html import escape
from importlib.resources import files
from typing import Any

from probe.model.finding import Verdict
from probe.present.turnover.blocks import (
    Beside,
    Block,
    Cell,
    Code,
    Column,
    Contents,
    Cover,
    Drawing,
    Facts,
    Heading,
    Item,
    Items,
    PageOf,
    Paper,
    Picture,
    Shape,
    Signatures,
    Table,
    Text,
)
from probe.present.turnover.palette import LAMPS
from probe.present.turnover.printable import showable

STYLE = "turnover.css"
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def html(blocks: Iterable[Block], paper: Paper, *, logo: tuple[str, str] | None) -> str:
    """The document as one HTML page. logo: media type and base64 of the picture, None for none."""
    printer = _Printer(paper, logo)
    whole = list(blocks)
    printer.chapters = [
        (block.mark, block.text) for block in whole if isinstance(block, Heading) and block.level == 1
    ]
    body = "\n".join(printer.block(block) for block in whole)
    style = (files(__package__) / STYLE).read_text(encoding="utf-8")
    warning = f'<p class="warning">{_e(paper.warning)}</p>' if paper.warning else ""
    return (
        f'<!DOCTYPE html>\n<html lang="{_e(paper.language)}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="author" content="{_e(paper.author)}">\n'
        f"<title>{_e(paper.title)}</title>\n<style>\n{style}{lamp_styles()}</style>\n</head>\n<body>\n"
        # One table of one cell: browsers repeat its head and foot on every printed page, so that what is
        # incomplete says so on each of them.
        f'<table class="sheet" role="presentation"><thead><tr><td><header class="running">'
        f"<span>{_e(paper.head_left)}</span>{warning}<span>{_e(paper.head_right)}</span></header>"
        f"</td></tr></thead><tbody><tr><td><main>\n{body}\n</main></td></tr></tbody><tfoot><tr><td>"
        f'<footer class="running"><span>{_e(paper.foot_left)}</span>{warning}</footer>'
        "</td></tr></tfoot></table>\n</body>\n</html>\n"
    )


def _e(text: str) -> str:
    """The text as a page may hold it, between tags and in attributes."""
    return escape(showable(text), quote=True)


class _Printer:
    """Each kind of block as HTML."""

    def __init__(self, paper: Paper, logo: tuple[str, str] | None) -> None:
        self.paper, self.logo = paper, logo
        self.chapters: list[tuple[str, str]] = []
        self._kinds: dict[str, Callable[[Any], str]] = {  # Any: each takes its own kind of block
            "heading": self.heading,
            "text": self.text,
            "facts": self.facts,
            "table": self.table,
            "items": self.items,
            "code": self.code,
            "drawing": self.drawing,
            "picture": self.picture,
            "beside": self.beside,
            "signatures": self.signatures,
            "cover": self.cover,
            "contents": self.contents,
        }

    def block(self, block: Block) -> str:
        """The block as HTML."""
        return self._kinds[block.kind](block)

    def lamp(self, verdict: Verdict, *, word: bool = True) -> str:
        """Sign on its colour, and the word beside it; without room for the word, for those who hear it."""
        sign, said, _, _ = self.paper.lamps[verdict.value]
        name = verdict.name.lower().replace("_", "-")
        shown = f" <b>{_e(said)}</b>" if word else f'<span class="heard">{_e(said)}</span>'
        lamp = f'<span class="lamp {name}" aria-hidden="true">{_e(sign)}</span>'
        return f'<span class="lit">{lamp}{shown}</span>'

    def heading(self, block: Heading) -> str:
        """A heading with its mark, lamp and side note."""
        lamp = self.lamp(block.verdict, word=False) + " " if block.verdict is not None else ""
        side = f' <span class="side">{_e(block.side)}</span>' if block.side else ""
        mark = f' id="{_e(block.mark)}"' if block.mark else ""
        page = ' class="page"' if block.new_page else ""
        level = block.level + 1
        return f"<h{level}{mark}{page}>{lamp}{_e(block.text)}{side}</h{level}>"

    def text(self, block: Text) -> str:
        """A paragraph."""
        if block.manner == "caution":
            return f'<p class="caution"><b>{_e(self.paper.words["caution"])}.</b> {_e(block.text)}</p>'
        return f'<p class="{_e(block.manner)}">{_e(block.text)}</p>'

    def facts(self, block: Facts) -> str:
        """Names and texts."""
        rows = "".join(
            f"<dt>{_e(name)}</dt><dd>{f'<code>{_e(text)}</code>' if name in block.codes else _e(text)}</dd>"
            for name, text in block.pairs
        )
        return f'<dl class="facts">{rows}</dl>'

    def table(self, block: Table) -> str:
        """A table with head and hidden caption."""
        head = "".join(f'<th scope="col"{_side(column)}>{_e(column.title)}</th>' for column in block.columns)
        rows = "".join(f"<tr>{self._row(row, block)}</tr>" for row in block.rows)
        small = ' class="small"' if block.small else ""
        caption = f'<caption class="heard">{_e(block.title)}</caption>'
        parts = f"{caption}<thead><tr>{head}</tr></thead><tbody>{rows}</tbody>"
        return f'<div class="wide"><table{small}>{parts}</table></div>'

    def _row(self, row: tuple[Cell, ...], block: Table) -> str:
        cells = []
        for cell, column in zip(row, block.columns, strict=True):
            cells.append(f"<td{_side(column, cell)}>{self._cell(cell, block)}</td>")
        return "".join(cells)

    def _cell(self, cell: Cell, block: Table) -> str:
        if isinstance(cell, Verdict):
            return self.lamp(cell, word=not block.bare)
        if isinstance(cell, PageOf):
            return f'<a href="#{_e(cell.mark)}">{_e(self.paper.words["see"])}</a>'
        return _e(cell)

    def items(self, block: Items) -> str:
        """Numbered or lit entries."""
        return "".join(self._item(item) for item in block.items)

    def _item(self, item: Item) -> str:
        lead = (
            self.lamp(item.verdict)
            if item.verdict is not None
            else f'<b class="number">{_e(item.number)}</b>'
        )
        colon = ": " if item.verdict is not None and item.head else ""
        lines = "".join(
            f"<dt>{_e(name)}</dt><dd>{_e(text)}</dd>" if name else f'<dd class="alone">{_e(text)}</dd>'
            for name, text in item.lines
        )
        return f'<section class="item"><p>{lead}{colon}<b>{_e(item.head)}</b></p><dl>{lines}</dl></section>'

    def code(self, block: Code) -> str:
        """Lines as they are."""
        return "<pre>" + "\n".join(_e(line) for line in block.lines) + "</pre>"

    def drawing(self, block: Drawing) -> str:
        """A drawing as SVG."""
        caption = f"<figcaption>{_e(block.caption)}</figcaption>" if block.caption else ""
        return f"<figure>{svg(block)}{caption}</figure>"

    def picture(self, block: Picture) -> str:
        """A picture within the page; as an image nothing in it can act."""
        data = base64.b64encode(block.svg.encode(errors="replace")).decode()
        caption = f"<figcaption>{_e(block.caption)}</figcaption>" if block.caption else ""
        source = f'src="data:image/svg+xml;base64,{data}" alt="{_e(block.alternative)}"'
        return f'<figure><img {source} style="width:{block.width:g}mm;max-width:100%">{caption}</figure>'

    def beside(self, block: Beside) -> str:
        """Two stacks."""
        left = "".join(self.block(one) for one in block.left)
        right = "".join(self.block(one) for one in block.right)
        return f'<div class="beside"><div>{left}</div><div>{right}</div></div>'

    def signatures(self, block: Signatures) -> str:
        """Blocks to be signed on the printed page."""
        boxes = ""
        for one in block.blocks:
            lines = "".join(
                f'<p class="line">{_e(given)}</p><p class="of">{_e(name)}</p>' for name, given in one.lines
            )
            boxes += f'<div><h4>{_e(one.role)}</h4><p class="small">{_e(one.meaning)}</p>{lines}</div>'
        return f'<div class="signatures">{boxes}</div>'

    def cover(self, block: Cover) -> str:
        """The head of the page."""
        sign, said, _, _ = self.paper.lamps[block.verdict.value]
        name = block.verdict.name.lower().replace("_", "-")
        logo = (
            f'<img class="logo" alt="Logo" src="data:{self.logo[0]};base64,{self.logo[1]}">'
            if self.logo
            else ""
        )
        counts = "".join(
            f"<span><big>{_e(many)}</big>{self.lamp(verdict)}</span>" for verdict, many in block.counts
        )
        facts = self.facts(Facts(pairs=block.facts, codes=block.codes))
        notes = "".join(f"<p>{_e(note)}</p>" for note in block.notes)
        return (
            f'<div class="cover">{logo}<p class="over">{_e(block.over)}</p><h1>{_e(block.title)}</h1>'
            f'<p class="site">{_e(block.site)}</p><div class="verdict">'
            f'<span class="big {name}" aria-hidden="true">{_e(sign)}</span>'
            f'<p><b>{_e(said)}</b><br>{_e(block.said)}</p><div class="counts">{counts}</div></div>'
            f'{facts}<div class="note"><b>{_e(block.note_title)}</b>{notes}</div></div>'
        )

    def contents(self, block: Contents) -> str:
        """Links to the chapters."""
        links = "".join(f'<li><a href="#{_e(mark)}">{_e(text)}</a></li>' for mark, text in self.chapters)
        return f"<nav><h2>{_e(block.title)}</h2><ul>{links}</ul></nav>"


#: Signs of a cell up to which a column of its own width keeps it on one line.
_ONE_LINE = 34


def _side(column: Column, cell: Cell = "") -> str:
    """Classes of a cell: at which side its text stands, and whether it may be broken."""
    long = "long" if isinstance(cell, str) and len(cell) > _ONE_LINE else ""
    fit = "" if column.width else f"fit {long}".strip()
    classes = " ".join(filter(None, ("right" if column.right else "", fit)))
    return f' class="{classes}"' if classes else ""


def svg(drawing: Drawing) -> str:
    """The drawing as an SVG element; lengths are millimetres."""
    shapes = "".join(_shape(shape) for shape in drawing.shapes)
    return (
        f'<svg role="img" aria-label="{_e(drawing.alternative)}" '
        f'viewBox="0 0 {drawing.width:g} {drawing.height:g}" '
        f'style="max-width:{drawing.width:g}mm">{shapes}</svg>'
    )


_ANCHORS = {"left": "start", "middle": "middle", "right": "end"}


def _shape(s: Shape) -> str:
    if s.what == "line":
        place = f'x1="{s.x:.2f}" y1="{s.y:.2f}" x2="{s.x2:.2f}" y2="{s.y2:.2f}"'
        return f'<line {place} stroke="{_e(s.ink)}" stroke-width="{s.weight:g}"/>'
    if s.what == "box":
        place = f'x="{s.x:.2f}" y="{s.y:.2f}" width="{s.x2:.2f}" height="{s.y2:.2f}"'
        return f'<rect {place} fill="{_e(s.ink2)}" stroke="{_e(s.ink)}" stroke-width="{s.weight:g}"/>'
    if s.what == "dot":
        place = f'cx="{s.x:.2f}" cy="{s.y:.2f}" r="{s.x2:.2f}"'
        return f'<circle {place} fill="{_e(s.ink2)}" stroke="{_e(s.ink)}" stroke-width="{s.weight:g}"/>'
    bold = ' font-weight="bold"' if s.weight >= 1 else ""
    size = s.x2 * 0.3528  # points to millimetres
    return (
        f'<text x="{s.x:.2f}" y="{s.y:.2f}" font-size="{size:.3f}" fill="{_e(s.ink)}" '
        f'text-anchor="{_ANCHORS[s.ink2]}" dominant-baseline="central"{bold}>{_e(s.text)}</text>'
    )


def lamp_styles() -> str:
    """Style rules of the lamps, whose colours stand in the palette alone."""
    return "".join(
        f".{verdict.name.lower().replace('_', '-')}{{background:{filling};color:{ink}}}\n"
        for verdict, (_, filling, ink) in LAMPS.items()
    )
