"""Typeset: blocks to a PDF/A-3a with its enclosures, by typst; the one module that knows typst.

Nothing from a device, map or user ever becomes markup: the program of the document is ours, everything else
is data that it reads (``data.json``) and sets as text. System fonts are left out, and the document's date is
that of the record, so that the same record gives the same file, byte for byte.

Source: ISO 19005-3 (PDF/A-3) and ISO 14289-1 (PDF/UA-1), as the typesetter enforces them (from memory).
"""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any

import orjson

from probe.model.finding import Verdict
from probe.present.turnover.blocks import Block, PageOf, Paper, Picture, Table
from probe.present.turnover.enclosure import Enclosure
from probe.present.turnover.printable import printable

STANDARDS = ("a-3a", "ua-1")
TEMPLATE = "turnover.typ"
#: Signs of one text that are shown: the rest of a longer one (a device may send anything) is in the record.
LONGEST = 1_800
#: The typesetter refuses dates outside of these, and some readers do as well: 1970 and 9999.
_DATES = (0, 253_402_300_799)


class TypesetError(RuntimeError):
    """The typesetter refused the document: a fault of ours."""


def typesetter_version() -> str:
    """Version of the typesetter, without loading it."""
    return version("typst")


def pdf(
    blocks: Iterable[Block],
    paper: Paper,
    size: str,
    enclosures: Sequence[Enclosure],
    *,
    logo: tuple[str, bytes] | None,
    date_s: int,
) -> bytes:
    """The document as PDF/A-3a. logo: file name ending and bytes. date_s: Unix seconds, the file's own date.

    Raises TypesetError if the typesetter refuses it.
    """
    with tempfile.TemporaryDirectory(prefix="buswitness-report-") as name:
        folder = Path(name)
        whole = [plain(block) for block in blocks]
        data = {
            "size": size,
            "chapters": sum(one["kind"] == "heading" and one["level"] == 1 for one in whole),
            "logo": _logo(folder, logo),
            "paper": plain(paper),
            "enclosed": [_enclosed(folder, number, one) for number, one in enumerate(enclosures)],
            "blocks": whole,
        }
        template = (files(__package__) / TEMPLATE).read_text(encoding="utf-8")
        (folder / "data.json").write_bytes(orjson.dumps(data))
        (folder / TEMPLATE).write_text(template, encoding="utf-8")
        return _compiled(folder, min(max(date_s, _DATES[0]), _DATES[1]))


def _logo(folder: Path, logo: tuple[str, bytes] | None) -> str:
    """Name of the logo's file in the folder, empty for none."""
    if logo is None:
        return ""
    (folder / f"logo{logo[0]}").write_bytes(logo[1])
    return f"logo{logo[0]}"


def _enclosed(folder: Path, number: int, one: Enclosure) -> dict[str, str]:
    """What the template needs to enclose a file. On disk it has a number for a name."""
    (folder / f"enclosed-{number}").write_bytes(one.data)
    return {
        "path": f"enclosed-{number}",
        "name": one.name,
        "relationship": one.relationship,
        "media": one.media,
        "title": printable(one.title),
    }


def _compiled(folder: Path, date_s: int) -> bytes:
    import typst

    standards: Any = list(STANDARDS)  # Any: the library lists its words one by one
    try:
        return typst.compile(
            str(folder / TEMPLATE),
            root=str(folder),
            format="pdf",
            ignore_system_fonts=True,
            pdf_standards=standards,
            timestamp=date_s,
        )
    except typst.TypstError as error:
        raise TypesetError(f"{error.message}; {'; '.join(error.hints)}") from error


def plain(value: Any) -> Any:
    """Blocks as JSON holds them, every text made printable. Any: blocks nest texts, tuples and each other."""
    if isinstance(value, Verdict):
        return {"lamp": value.value}
    if isinstance(value, str):
        return printable(shortened(value))
    if isinstance(value, Picture):
        return {"kind": value.kind, "width": value.width, "svg": printable(value.svg),
                "alternative": printable(value.alternative), "caption": printable(value.caption)}  # fmt: skip
    if isinstance(value, PageOf):
        return {"page": value.mark}
    if isinstance(value, (tuple, list)):
        return [plain(item) for item in value]
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: _field(f.name, getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {**fields, "long": value.long} if isinstance(value, Table) else fields
    return value


def shortened(text: str) -> str:
    """The text, or of one that would fill a page by itself its beginning and how much was left out."""
    if len(text) <= LONGEST:
        return text
    return f"{text[:LONGEST]} … (and {len(text) - LONGEST} more signs, in the record)"


def _field(name: str, value: Any) -> Any:
    """A verdict that stands alone is its word; in cells and lists it is marked as a lamp."""
    return value.value if name == "verdict" and isinstance(value, Verdict) else plain(value)
