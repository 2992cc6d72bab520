"""The studies that a map names: read, held against the map, by tag.

A study that cannot be used as a whole is an error of the map that names it; what is wrong with one device's
entry is a warning, and that device is "not tested". A file that is not there is ``lint_relation``'s business,
or no error at all where a record without it is judged again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from probe.model.errors import InputError, Problem
from probe.model.lineup import SourceText
from probe.model.lint_relation import beside
from probe.model.map_draft import Draft, Read
from probe.model.study import Study
from probe.model.study_load import as_warnings, load_study, misfits, source_of


class Studies(NamedTuple):
    """by_tag: for each device, the study that speaks of it. texts: each file once."""

    by_tag: Mapping[str, Study]
    texts: tuple[SourceText, ...]


def read_studies(draft: Draft, read: Read, study: str = "") -> tuple[Studies, list[Problem]]:
    """The studies that the draft names, and every problem of them. study: a file in place of all of them."""
    names = dict.fromkeys(draft.by_tag, study) if study else _names(draft)
    known: dict[str, Study] = {}
    texts: list[SourceText] = []
    problems: list[Problem] = []
    for name in dict.fromkeys(names.values()):
        try:
            data = read(name)
        except (OSError, KeyError, InputError):
            continue
        try:
            made, refused = load_study(name, data)
            texts.append(source_of(name, data))
        except InputError as error:
            problems += error.problems
            continue
        problems += as_warnings(refused)
        if draft.head is not None:
            problems += misfits(made, draft.whole())
        known[name] = made
    by_tag = {tag: known[name] for tag, name in names.items() if name in known}
    return Studies(by_tag, tuple(texts)), problems


def _names(draft: Draft) -> dict[str, str]:
    """Tag to the name of the file that speaks of it: its own, else that of the lineup."""
    whole = ""
    if draft.head is not None and draft.head.study is not None:
        whole = beside(draft.main.name, draft.head.study)
    names = {}
    for placed in draft.devices:
        own = placed.item.study
        name = whole if own is None else beside(placed.document.name, own)
        if name:
            names[placed.item.tag] = name
    return names
