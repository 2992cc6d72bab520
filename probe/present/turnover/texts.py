"""Texts: all that the document says of its own, apart from the program, so that it can speak other languages.

``en.yaml`` holds them by name. A file of the user's own may replace any of them (``project``); a text must
keep the places for values that the English one has, ``{tag}`` and the like, and may use no others.
What findings and causes say comes from the record, in the words in which it was judged.
"""

from __future__ import annotations

import string
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

from probe.model.document import Document, parse
from probe.model.errors import InputError, Problem
from probe.model.nearest import did_you_mean

ENGLISH = "en.yaml"


class Texts:
    """The document's texts by name."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = texts

    def __call__(self, name: str, /, **values: object) -> str:
        """The text of that name with the values in their places. Raises KeyError for a name of no text."""
        text = self._texts[name]
        return text.format(**values) if values else text

    def __contains__(self, name: object) -> bool:
        return name in self._texts


@cache
def english() -> Mapping[str, str]:
    """The English texts by dotted name."""
    data = (files(__package__) / ENGLISH).read_bytes()
    return dict(_flat(parse(ENGLISH, data).values))


def texts_from(name: str, data: bytes) -> Mapping[str, str]:
    """The English texts, with those of the file in their place.

    Raises InputError with every text that has no such name, no text or other places for values.
    """
    document = parse(name, data)
    known, found = english(), dict(_flat(document.values))
    problems = [
        problem
        for key, text in found.items()
        if (problem := _problem(document, key, text, known)) is not None
    ]
    if problems:
        raise InputError(problems)
    return {**known, **found}


def _flat(values: object, above: str = "") -> list[tuple[str, str]]:
    """Nested groups as dotted names."""
    if not isinstance(values, dict):
        return [(above, values if isinstance(values, str) else "")]
    found: list[tuple[str, str]] = []
    for key, value in values.items():
        found += _flat(value, f"{above}.{key}" if above else str(key))
    return found


def _problem(document: Document, key: str, text: str, known: Mapping[str, str]) -> Problem | None:
    path = tuple(key.split("."))
    if key not in known:
        return document.problem(
            path, "the document has no text of this name", found=key, remedy=did_you_mean(key, list(known))
        )
    wanted = _places(known[key])
    found = _places(text)
    if not text or found is None or found != wanted:
        return document.problem(
            path,
            "the text has not the places for values that it must have",
            found=text[:80],
            allowed=" ".join(sorted(f"{{{name}}}" for name in wanted or ())) or "no braces",
            remedy=f"the English text is: {known[key]}",
        )
    return None


def _places(text: str) -> frozenset[str] | None:
    """Names of the places for values; None if the text is no format or asks for more than a value."""
    try:
        parts = [part for part in string.Formatter().parse(text) if part[1] is not None]
    except ValueError:
        return None
    if any(spec or conversion or not str(name).isidentifier() for _, name, spec, conversion in parts):
        return None
    return frozenset(str(name) for _, name, _, _ in parts)
