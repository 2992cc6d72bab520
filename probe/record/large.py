"""Large: a record opened without holding the exchanges of its devices, so that memory stays small."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

from probe.model.evidence import JUDGED, Purpose
from probe.record.bulk import Bulk
from probe.record.content import Gathering, RecordContent, gathered
from probe.record.header import Relation
from probe.record.packed import is_packed
from probe.record.reader import ReadLine, Walk, open_record


class _Apart(Gathering):
    """Leaves the exchanges and strays of devices where they are; those that belong to the run are taken."""

    def __init__(self, bulk: Bulk) -> None:
        super().__init__(with_evidence=True)
        self._bulk = bulk
        self._waiting: set[str] = set()  # tags that were not judged yet

    def take(self, line: ReadLine) -> None:
        """As of all that gather."""
        super().take(line)
        if line.kind == "head" and self.header is not None:
            scope = self.header.scope
            merged = any(source.relation == Relation.MERGES for source in self.header.sources)
            whole = merged or scope.sheets or scope.survey is not None  # what is judged over all devices
            self._waiting = set() if whole else set(scope.tags)

    def _take_evidence(self, number: int, kind: str, body: Mapping[str, Any]) -> None:
        tag = body.get("tag")
        bulky = kind == "stray" or (kind == "exchange" and body["purpose"] != Purpose.REFERENCE.value)
        if bulky and tag in self._waiting:
            self._bulk.add(number, tag, exchange=kind == "exchange")
            return
        super()._take_evidence(number, kind, body)
        if kind == "note" and body["topic"] == JUDGED:
            self._waiting.discard(body["text"])


@contextmanager
def opened(path: Path) -> Iterator[RecordContent]:
    """What the record holds, with the exchanges and strays of devices left in the file until they are wanted.

    Memory is that of all else, and 12 bytes a line. A packed record is unpacked into a temporary file. Raises
    as ``content.load``.
    """
    with open_record(path) as file, ExitStack() as stack:
        spilt = stack.enter_context(TemporaryFile()) if is_packed(file) else None
        source = spilt if spilt is not None else stack.enter_context(path.open("rb"))
        bulk = Bulk(source, path)
        gathering, walk = _Apart(bulk), Walk(file)

        def take(line: ReadLine) -> None:
            if spilt is not None:
                spilt.write(walk.raw + b"\n")
            bulk.ends_after(len(walk.raw) + 1)
            gathering.take(line)

        yield replace(gathered(path, file, walk, gathering, take), bulk=bulk)
