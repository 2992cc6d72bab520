"""Opens checklists, lists of questions and photographs that the user names; the bundled questions."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import probe
from probe.collect.inputs import read_bytes
from probe.model.checklist import Checklist, fitting_checklist
from probe.model.checklist_draft import draft
from probe.model.checklist_items import Items, load_items
from probe.model.checklist_text import checklist_text
from probe.model.device_map import DeviceMap
from probe.model.document import parse
from probe.model.lineup import SourceText
from probe.model.photograph import Photograph, photograph

BUNDLED = "field.yaml"
LARGEST_PHOTOGRAPH = 64 * 1024 * 1024


def open_items(file: Path | None) -> Items:
    """The questions in a file, or the bundled ones. Raises InputError."""
    if file is None:
        return load_items(BUNDLED, (files(probe) / "checklists" / BUNDLED).read_bytes())
    return load_items(file.as_posix(), read_bytes(file))


def open_checklist(file: Path, drawn: DeviceMap) -> tuple[Checklist, SourceText]:
    """The checklist in a file, fitting the map, and its text as a record keeps it. Raises InputError."""
    data = read_bytes(file)
    checklist = fitting_checklist(file.as_posix(), data, drawn)
    document = parse(file.as_posix(), data)
    return checklist, SourceText(name=file.as_posix(), text=document.text, sha256=document.sha256)


def made_checklist(drawn: DeviceMap, items: Items) -> tuple[Checklist, SourceText]:
    """The checklist that follows from a map, and its text. Raises InputError for one that cannot be read."""
    text = checklist_text(draft(drawn, items))
    name = "checklist.yaml"
    checklist = fitting_checklist(name, text, drawn)
    document = parse(name, text)
    return checklist, SourceText(name=name, text=document.text, sha256=document.sha256)


def open_photograph(file: Path) -> Photograph:
    """The photograph in a file, by its hash. Raises InputError."""
    return photograph(file.name, read_bytes(file, limit_bytes=LARGEST_PHOTOGRAPH))
