"""Bulk: the exchanges and strays of each device, left in the file and read again when they are asked for.

A run that dwelt on a thousand devices fills gigabytes, nearly all of it exchanges, and the devices' lines
stand mixed: each was judged when it was done, at about the same time. So judging such a record again keeps
only where each line stands (12 bytes a line) and reads one device at a time. Every line was proved by the
chain when its place was noted; one that has another number when it is read again was changed meanwhile.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator
from heapq import merge
from pathlib import Path
from typing import IO, Any

from probe.model.errors import Problem, RecordError
from probe.model.evidence import Evidence, Exchange, Stray
from probe.record.body import evidence_from
from probe.record.reader import parse

Items = tuple[tuple[int, Any], ...]


class Bulk:
    """Lines of devices in a file. file: plain, open as long as this is used; path: how messages name it."""

    def __init__(self, file: IO[bytes], path: Path) -> None:
        self._file, self._path = file, path
        self._ends = array("Q")  # by number of line less one: where it ends
        self._lines: dict[str, array[int]] = {}
        self._renumbered: array[int] | None = None
        self.exchanges = 0

    def ends_after(self, size: int) -> None:
        """The next line of the record, its line end with it, is so many bytes long."""
        self._ends.append((self._ends[-1] if self._ends else 0) + size)

    def add(self, number: int, tag: str, *, exchange: bool) -> None:
        """Line ``number`` (the next one to end) is an exchange or a stray of the device."""
        self._lines.setdefault(tag, array("I")).append(number)
        self.exchanges += exchange

    def renumber(self, numbers: Iterable[int]) -> None:
        """From now on line n counts as the n-th of these numbers: evidence that was copied elsewhere."""
        self._renumbered = array("Q", numbers)

    def __contains__(self, tag: object) -> bool:
        return tag in self._lines

    def of(self, tag: str) -> tuple[Items, Items]:
        """Exchanges and strays of the device, with their numbers. Raises RecordError if a line is none."""
        exchanges: list[tuple[int, Evidence]] = []
        strays: list[tuple[int, Evidence]] = []
        for number, piece in self.read(self._lines[tag]):
            shown = number if self._renumbered is None else self._renumbered[number - 1]
            (exchanges if isinstance(piece, Exchange) else strays).append((shown, piece))
        return tuple(exchanges), tuple(strays)

    def numbers(self) -> Iterator[int]:
        """The numbers of all these lines, rising."""
        return merge(*self._lines.values())

    def read(self, numbers: Iterable[int]) -> Iterator[tuple[int, Evidence]]:
        """The pieces that stand in these lines. Raises RecordError if a line is none."""
        for number in numbers:
            begin = self._ends[number - 2] if number > 1 else 0
            self._file.seek(begin)
            yield number, self._piece(number, self._file.read(self._ends[number - 1] - begin - 1))

    def _piece(self, number: int, data: bytes) -> Exchange | Stray:
        try:
            line = parse(data)
            piece = evidence_from(line.kind, line.body)
        except (KeyError, TypeError, ValueError) as error:  # among them: no line at all
            raise self._refused(number, "is not what its kind needs") from error
        if line.sequence != number or not isinstance(piece, (Exchange, Stray)):
            raise self._refused(number, "was changed while it was read")
        return piece

    def _refused(self, number: int, what: str) -> RecordError:
        return RecordError(
            Problem(
                file=str(self._path),
                line=number,
                what=f"the line {what}",
                remedy="run: buswitness record verify FILE; get the original file",
            )
        )
