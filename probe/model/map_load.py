"""Text to a lineup: the map read, linted, its profiles compiled; every problem told at once.

Works from texts alone: ``read`` may open files, or hand out the texts that a record carries.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

from probe.model.document import Document
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup, SourceText
from probe.model.map_draft import Draft, Read, read_draft
from probe.model.map_lint import Surroundings, lint
from probe.model.map_studies import read_studies
from probe.model.profile import Profile


class Profiles(Protocol):
    """What is needed of ``profile_load.ProfileLibrary``."""

    def names(self) -> tuple[str, ...]:
        """All profile names."""
        ...

    def get(self, name: str) -> Profile:
        """The compiled profile. Raises InputError."""
        ...

    def texts_for(self, names: Iterable[str]) -> tuple[SourceText, ...]:
        """The texts that the named profiles are made from."""
        ...


def load_lineup(
    name: str,
    read: Read,
    profiles: Profiles,
    *,
    exists: Callable[[str], bool] | None = None,
    study: str = "",
) -> tuple[Lineup, tuple[Problem, ...]]:
    """The lineup of the named map, and warnings that a person should read.

    read: bytes of a named file; names of includes and studies are joined to the map's folder with ``/``.
    study: name of the study to take for all devices in place of those that the map names.
    exists: tells whether a study file is there (None: not asked, as when a record is judged again).
    Raises InputError with every problem of the map, its includes and its profiles, warnings last.
    """
    draft, problems = read_draft(name, read)
    compiled, broken = _compile(draft, profiles)
    around = Surroundings(profiles=compiled, profile_names=profiles.names(), exists=exists)
    studies, study_problems = read_studies(draft, read, study)
    found = [*problems, *broken, *lint(draft, around), *study_problems]
    errors = [problem for problem in found if problem.severity == "error"]
    warnings = [problem for problem in found if problem.severity != "error"]
    if errors or draft.head is None:
        raise InputError([*in_reading_order(errors, draft), *in_reading_order(warnings, draft)])
    lineup = Lineup(
        map=draft.whole(),
        profiles=compiled,
        map_texts=tuple(_source(document) for document in draft.documents),
        profile_texts=profiles.texts_for(compiled),
        studies=studies.by_tag,
        study_texts=studies.texts,
    )
    return lineup, tuple(in_reading_order(warnings, draft))


def _compile(draft: Draft, profiles: Profiles) -> tuple[dict[str, Profile], list[Problem]]:
    """Every profile that the map uses and the library has; problems of profiles that do not load."""
    known, compiled = set(profiles.names()), {}
    problems: dict[Problem, None] = {}
    for name in dict.fromkeys(entry.values.get("profile", "") for entry in draft.written):
        if name not in known:
            continue  # map_lint says so at its place
        try:
            compiled[name] = profiles.get(name)
        except InputError as error:
            problems.update(dict.fromkeys(error.problems))
    return compiled, list(problems)


def in_reading_order(problems: Iterable[Problem], draft: Draft) -> list[Problem]:
    """Problems by file as it was read, then by line; files that are no part of the map last."""
    order = {document.name: i for i, document in enumerate(draft.documents)}
    return sorted(problems, key=lambda p: (order.get(p.file, len(order)), p.line, p.column))


def _source(document: Document) -> SourceText:
    return SourceText(name=document.name, text=document.text, sha256=document.sha256)


def lineup_from_texts(
    texts: tuple[SourceText, ...], profiles: Profiles, studies: tuple[SourceText, ...] = ()
) -> Lineup:
    """The lineup that a record carries. Raises InputError if its texts do not load any more."""
    if not texts:
        raise InputError([Problem(file="the record", what="the record carries no map")])
    by_name: Mapping[str, SourceText] = {text.name: text for text in (*studies, *texts)}

    def read(name: str) -> bytes:
        return by_name[name].text.encode()

    lineup, _ = load_lineup(texts[0].name, read, profiles)
    known = {text.name for text in lineup.study_texts}
    given = [text.name for text in studies if text.name not in known]
    if given:  # the user had named another study than the map does
        lineup, _ = load_lineup(texts[0].name, read, profiles, study=given[0])
    return lineup
