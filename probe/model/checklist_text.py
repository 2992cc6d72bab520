"""A checklist as text, as people read and change it: YAML, what is usual left out."""

from __future__ import annotations

import json
from collections.abc import Iterator

from probe.model.checklist import COMMON_PRACTICE, Checklist, ChecklistLine

_HEAD = """\
# Field checklist, made from the map. Lines may be added, changed and taken out.
# Yes always means: as it should be. docs/checklist.md says how it is filled in.
"""


def checklist_text(checklist: Checklist) -> str:
    """The checklist as YAML; ``load_checklist`` gives the same list back."""
    return _HEAD + "\n".join(_lines(checklist)) + "\n"


def _lines(checklist: Checklist) -> Iterator[str]:
    yield f"format: {checklist.format}"
    for name in ("name", "site", "lineup"):
        yield f"{name}: {_quoted(getattr(checklist, name))}"
    if checklist.cautions:
        yield "cautions:"
        yield from (f"  {name}: {_quoted(text)}" for name, text in checklist.cautions.items())
    yield "lines:"
    for line in checklist.lines:
        yield from _line(line)


def _line(line: ChecklistLine) -> Iterator[str]:
    yield f"  - id: {_quoted(line.id)}"
    yield f"    about: {_quoted(line.about)}"
    if line.place is not None:
        yield f"    place: {_quoted(line.place)}"
    yield f"    ask: {_quoted(line.ask)}"
    if line.measure is not None:
        at = "" if line.measure.at is None else f", at: {_quoted(line.measure.at)}"
        yield f"    measure: {{quantity: {line.measure.quantity.value}{at}}}"
    if line.cautions:
        yield f"    cautions: [{', '.join(line.cautions)}]"
    if line.photograph:
        yield "    photograph: yes"
    if line.source == COMMON_PRACTICE:
        yield "    source: common practice, no source"
    else:
        yield f"    source: {_quoted(line.source)}"


def _quoted(text: str) -> str:
    """The text in double quotes, which YAML reads as JSON does."""
    return json.dumps(text, ensure_ascii=False)
