"""Enclosures: the files that a document carries inside: the record itself, and what belongs to it.

The record holds map and profiles whole; they are enclosed once more as files of their own, so that people
can read them without any tool. Names come from anybody: they are made tame and unique.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from probe.present.turnover.printable import file_name
from probe.present.turnover.texts import Texts
from probe.record.content import RecordContent

#: Name of the note by which a document can be made again; no other file may have it.
OPTIONS_NAME = "report-options.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Enclosure:
    """One file inside the document. relationship: of ISO 32000: source, data, supplement."""

    name: str
    data: bytes
    title: str
    media: str
    relationship: str

    @property
    def sha256(self) -> str:
        """Of its bytes."""
        return hashlib.sha256(self.data).hexdigest()


def enclosures(
    content: RecordContent,
    record: tuple[str, bytes],
    curves: Mapping[str, str],
    further: Sequence[Enclosure],
    t: Texts,
) -> tuple[Enclosure, ...]:
    """The record first, then map, profiles, studies, curves, what the project adds; all names different.

    record: its file name and bytes as they are. curves: SVG texts by file name.
    """
    name, data = record
    packed = name.lower().endswith((".gz", ".zst"))
    first = Enclosure(
        name=file_name(name, "record.audit.jsonl"),
        data=data,
        title=t("enclosure.record"),
        media="application/octet-stream" if packed else "application/x-ndjson",
        relationship="source",
    )
    return tuple(_unique([first, *_texts(content, t), *_curves(curves, t), *further]))


def _texts(content: RecordContent, t: Texts) -> Iterable[Enclosure]:
    header = content.header
    kinds = (
        (header.map_texts, "enclosure.map", "map"),
        (header.profile_texts, "enclosure.profile", "profile"),
        (header.study_texts, "enclosure.study", "study"),
        (header.sheet_texts, "enclosure.sheet", "sheet"),
    )
    for texts, title, otherwise in kinds:
        for one in texts:
            yield Enclosure(
                name=file_name(one.name, f"{otherwise}.yaml"),
                data=one.text.encode(errors="surrogatepass"),
                title=t(title),
                media="application/yaml",
                relationship="data",
            )


def _curves(curves: Mapping[str, str], t: Texts) -> Iterable[Enclosure]:
    for name, text in curves.items():
        yield Enclosure(
            name=file_name(name, "curve.svg"),
            data=text.encode(errors="replace"),
            title=t("enclosure.curve"),
            media="image/svg+xml",
            relationship="data",
        )


def _unique(items: Sequence[Enclosure]) -> Iterable[Enclosure]:
    taken = {OPTIONS_NAME}
    for one in items:
        stem, dot, ending = one.name.partition(".")
        name, number = one.name, 1
        while name.lower() in taken:
            number += 1
            name = f"{stem}-{number}{dot}{ending}"
        taken.add(name.lower())
        yield Enclosure(
            name=name, data=one.data, title=one.title, media=one.media, relationship=one.relationship
        )
