"""Embedded: records that stand whole inside another one, line by line, with chain, seal and signature.

A merged record holds each of its runs so: nothing of them is retold, nothing can be left out. An
``embedded`` line is ``source`` (which of the head's sources, from 1) and ``line``, the line's own text. The
lines of one source follow each other without a gap, so that line n of it is line ``first + n - 1`` here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from probe.record.body import text
from probe.record.header import Header, Relation, Source
from probe.record.line import Plain
from probe.record.reader import Chain, RawLine, ReadLine, json_of, open_record, parse, raw_lines

EMBEDDED = "embedded"
#: How such a line begins in canonical form, so that others need not be parsed to be passed over.
_START = b'{"body":{"line":'


def embedded_body(source: int, line: bytes) -> Mapping[str, Plain]:
    """One line of a source as the body of a line here. line: its bytes without line end."""
    return {"line": line.decode(), "source": source}


def raw_inside(body: Mapping[str, Any]) -> tuple[int, bytes]:
    """Number of the source and the bytes of its line. Raises KeyError, TypeError or ValueError."""
    return int(body["source"]), text(body["line"]).encode()


def line_inside(body: Mapping[str, Any]) -> tuple[int, ReadLine]:
    """Number of the source and its line. Raises KeyError, TypeError or ValueError if it is none."""
    source, raw = raw_inside(body)
    return source, parse(raw)


def lines_of(path: Path, number: int) -> Iterator[bytes]:
    """The bytes of each line of source ``number`` inside the record, without line ends, in order.

    Nothing is proved here; that is what ``Inner`` is for. Raises InputError if there is no readable file.
    """
    with open_record(path) as file:
        for raw in raw_lines(file):
            if raw.data.startswith(_START):
                value = json_of(raw.data)
                if value["kind"] != EMBEDDED:
                    continue  # a kind of another version that begins alike
                source, data = raw_inside(value["body"])
                if source == number:
                    yield data


class Inner:
    """Proves the records inside a record: each chain from its head to the code that the head names."""

    def __init__(self) -> None:
        self._sources: tuple[Source, ...] = ()
        self._chains: list[Chain] = []

    def begin(self, header: Header) -> None:
        """Learn what must be inside."""
        self._sources = tuple(s for s in header.sources if s.relation == Relation.MERGES)

    def take(self, line: ReadLine) -> ReadLine:
        """Prove one embedded line; the line inside. Raises KeyError, TypeError or ValueError if it fails."""
        source, raw = raw_inside(line.body)
        if source == len(self._chains) + 1:
            self._finish_last()
            self._chains.append(Chain())
        if source < 1 or source != len(self._chains) or source > len(self._sources):
            raise ValueError(f"a line of source {source} does not stand here")
        inner, why = self._chains[-1].take(RawLine(raw, True))
        if why or inner is None:
            raise ValueError(f"inside, source {source}: {why}")
        return inner

    def end(self) -> None:
        """Prove that everything that the head names was there. Raises ValueError if not."""
        self._finish_last()
        if len(self._chains) != len(self._sources):
            raise ValueError(f"{len(self._sources)} records are named, {len(self._chains)} are inside")

    def _finish_last(self) -> None:
        if not self._chains:
            return
        chain, named = self._chains[-1], self._sources[len(self._chains) - 1]
        if (chain.head, chain.count, chain.seal is not None) != (named.code, named.count, named.closed):
            raise ValueError(f"inside, source {len(self._chains)}: it is not the record that is named")
