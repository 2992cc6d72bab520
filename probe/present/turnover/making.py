"""Making: a record and an order to the finished document; and the note by which it can be made again.

The order (paper, project, logo, texts, further files) is enclosed in the PDF as ``report-options.json``, with
the versions that made it. Same record, same order, same versions: the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

import orjson

import probe
from probe.model.lineup import Lineup
from probe.present.curve_drawing import drawings
from probe.present.turnover import assembly, html_page, typeset, workbook
from probe.present.turnover.assembly import PaperSize
from probe.present.turnover.dossier import Dossier, dossier
from probe.present.turnover.enclosure import OPTIONS_NAME, Enclosure, enclosures
from probe.present.turnover.printable import file_name
from probe.present.turnover.project import NO_PROJECT, Project, logo_type
from probe.present.turnover.texts import Texts, english, texts_from
from probe.record.content import RecordContent
from probe.record.own_code import own_code

#: Devices up to which all time-current curves are enclosed; `settings --curves` makes them for any lineup.
MOST_CURVED = 60
OPTIONS_FORMAT = "buswitness-report/1"


class ReportFormat(StrEnum):
    """What the document is made as."""

    PDF = "pdf"
    HTML = "html"
    XLSX = "xlsx"


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedBytes:
    """A file as it was read. title: what it shows, where somebody said so."""

    name: str
    data: bytes
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """How a report is to be made. texts: a file of texts in another language. further: files to enclose."""

    paper: PaperSize = PaperSize.A4
    project: Project = NO_PROJECT
    logo: NamedBytes | None = None
    texts: NamedBytes | None = None
    further: tuple[NamedBytes, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A record as a report is made of it. runs: the records inside a merged one. record: the file itself."""

    content: RecordContent
    record: NamedBytes
    lineup_of: Callable[[RecordContent], Lineup]
    runs: tuple[RecordContent, ...] = field(default=())


def told(material: Material) -> Dossier:
    """Everything that the report says of the record."""
    content = material.content
    lineup = material.lineup_of(content)
    return dossier(content, lineup, material.runs, material.lineup_of, version=probe.__version__)


def report(material: Material, order: Order, made_as: ReportFormat) -> tuple[bytes, Dossier]:
    """The finished file, and what it tells. Raises InputError for texts of the user's that do not fit."""
    t = Texts(english() if order.texts is None else texts_from(order.texts.name, order.texts.data))
    whole = told(material)
    if made_as is ReportFormat.XLSX:
        return workbook.workbook(whole, t), whole
    paper = assembly.paper(whole, order.project, t)
    if made_as is ReportFormat.HTML:
        blocks = assembly.blocks(whole, order.project, (), t, order.paper)
        return html_page.html(blocks, paper, logo=_base64(order.logo)).encode(), whole
    enclosed = _enclosed(material, whole, order, t)
    blocks = assembly.blocks(whole, order.project, enclosed, t, order.paper)
    logo = None if order.logo is None else (_ending(order.logo.name), order.logo.data)
    date_s = (whole.finished_wall_ns or material.content.header.started_wall_ns) // 1_000_000_000
    return (
        typeset.pdf(blocks, paper, order.paper.value, enclosed, logo=logo, date_s=date_s),
        whole,
    )


def _base64(logo: NamedBytes | None) -> tuple[str, str] | None:
    return None if logo is None else (logo_type(logo.name), base64.b64encode(logo.data).decode())


def _ending(name: str) -> str:
    return name[name.rfind(".") :].lower()


def _enclosed(material: Material, whole: Dossier, order: Order, t: Texts) -> tuple[Enclosure, ...]:
    """All enclosures; the order stands last, and names the others by their place."""
    extra = [
        Enclosure(
            name=file_name(one.name, "attachment"),
            data=one.data,
            title=one.title,
            media=media_type(one.name),
            relationship="supplement",
        )
        for one in order.further
    ]
    for part, title in ((order.logo, "enclosure.logo"), (order.texts, "enclosure.texts")):
        if part is not None:
            extra.append(
                Enclosure(
                    name=file_name(part.name, "part"),
                    data=part.data,
                    title=t(title),
                    media=media_type(part.name),
                    relationship="supplement",
                )
            )
    record = (material.record.name, material.record.data)
    named = enclosures(material.content, record, _curves(whole), extra, t)
    options = Enclosure(
        name=OPTIONS_NAME,
        data=orjson.dumps(_options(named, order), option=orjson.OPT_INDENT_2),
        title=t("enclosure.options"),
        media="application/json",
        relationship="supplement",
    )
    return (*named, options)


def _curves(whole: Dossier) -> dict[str, str]:
    """Time-current curves as SVG by file name; none of a lineup with more than fit a list of attachments."""
    if whole.settings is None or not whole.settings.studies:
        return {}
    if len(whole.settings.devices) > MOST_CURVED:
        return {}
    return drawings(whole.settings)


def _options(named: tuple[Enclosure, ...], order: Order) -> dict[str, Any]:
    """The order as it is enclosed. Files are named by their names in the document, from the end backwards."""
    names = [one.name for one in named]
    texts = names.pop() if order.texts is not None else None
    logo = names.pop() if order.logo is not None else None
    further = names[len(names) - len(order.further) :]
    return {
        "format": OPTIONS_FORMAT,
        **made_by(),
        "paper": order.paper.value,
        "project": order.project.model_dump(mode="json"),
        "record": names[0],
        "logo": logo,
        "texts": texts,
        "further": [
            {"name": name, "title": one.title} for name, one in zip(further, order.further, strict=True)
        ],
    }


def made_by() -> dict[str, str]:
    """The versions that decide how a document comes out: tool, its very code, typesetter."""
    return {
        "tool_version": probe.__version__,
        "tool_code": making_code(),
        "typesetter": f"typst {typeset.typesetter_version()}",
    }


def making_code() -> str:
    """SHA-256 over all that judges and all that makes the document."""
    whole = hashlib.sha256(own_code().encode())
    package = files(__package__ or "")
    for one in sorted(_parts(package), key=lambda part: part.name):
        whole.update(one.name.encode() + one.read_bytes().replace(b"\r\n", b"\n"))
    return whole.hexdigest()


def _parts(package: Traversable) -> list[Traversable]:
    return [one for one in package.iterdir() if one.name.endswith((".py", ".typ", ".yaml", ".css"))]


def order_from(options: Mapping[str, Any], inside: Mapping[str, bytes]) -> Order:
    """The order that a document encloses. inside: its enclosed files.

    Raises KeyError, TypeError or ValueError if it is none.
    """
    logo, texts = options["logo"], options["texts"]
    return Order(
        paper=PaperSize(options["paper"]),
        project=Project.model_validate(options["project"]),
        logo=None if logo is None else NamedBytes(name=logo, data=inside[logo]),
        texts=None if texts is None else NamedBytes(name=texts, data=inside[texts]),
        further=tuple(
            NamedBytes(name=one["name"], data=inside[one["name"]], title=one["title"])
            for one in options["further"]
        ),
    )


_MEDIA = {
    ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".svg": "image/svg+xml",
    ".pdf": "application/pdf",
    ".csv": "text/csv", ".txt": "text/plain", ".yaml": "application/yaml", ".yml": "application/yaml",
    ".json": "application/json",
}  # fmt: skip


def media_type(name: str) -> str:
    """The media type by the end of a file name."""
    return (
        _MEDIA.get(_ending(name), "application/octet-stream") if "." in name else "application/octet-stream"
    )
