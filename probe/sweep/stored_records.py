"""Stored records: an S3-style store that records go to from their folder, each under its code.

A record comes into the folder first, as without a store, and leaves it when the store is proved to have it:
so a store that cannot be reached delays, a kill at any moment loses and doubles nothing, and what was sent
already is not sent again. The key is ``<prefix>/<code>.audit.jsonl``; the code is the SHA-256 of the record's
last line, which each line before it has gone into, so that what comes back proves itself.
"""

from __future__ import annotations

import os
import re
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from probe.model.errors import InputError, RecordError
from probe.sweep.object_troubles import StoreTrouble
from probe.sweep.objects import ObjectStore
from probe.sweep.records import (
    CODE,
    COPIES,
    SUFFIX,
    Delivery,
    KeptRecord,
    RecordStore,
    code_in,
    no_such_record,
    whole_code,
)
from probe.sweep.whole_file import put

_NAME = re.compile(r"[0-9a-f]{64}" + re.escape(SUFFIX))


class StoredRecords(RecordStore):
    """Records of a folder and of the store behind it. opens: the store, when it is first needed."""

    def __init__(self, folder: Path, opens: Callable[[], ObjectStore], *, keep_copies_s: float = 0.0) -> None:
        super().__init__(folder)
        self._opens = opens
        self._opened: ObjectStore | None = None
        self._keep_copies_s = keep_copies_s

    @property
    def objects(self) -> ObjectStore:
        """The store. Raises InputError if it cannot be used from here."""
        if self._opened is None:
            self._opened = self._opens()
        return self._opened

    def ensure_ready(self) -> None:
        """Raises InputError if nothing signs requests or the library is missing; asks no network."""
        assert self.objects

    def waiting(self) -> int:
        """So many records wait in the folder."""
        return sum(1 for _ in self.all())

    def address(self, code: str) -> str:
        """Endpoint, bucket and key of the record."""
        place = self.objects.place
        return f"{place.endpoint}/{place.bucket}/{place.key(code + SUFFIX)}"

    def deliver(self) -> Delivery:
        """Send what waits, the oldest of each lineup first; ends at the first sign that the store is away.

        One process at a time delivers; another one finds nothing to do.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        try:
            with FileLock(self.folder / ".delivery.lock", timeout=0):
                self._drop_old_copies()
                return self._deliver()
        except Timeout:
            return Delivery(waiting=self.waiting())

    def _deliver(self) -> Delivery:
        sent, trouble = 0, ""
        for file in self.all():
            try:
                self._send(file)
                sent += 1
            except FileNotFoundError:  # somebody put it elsewhere meanwhile
                continue
            except StoreTrouble as error:
                return Delivery(sent, self.waiting(), error.line, held_up=True)
            except (InputError, RecordError) as error:  # this one; the others are sent
                trouble = trouble or " ".join(str(error).split())
        return Delivery(sent, self.waiting(), trouble)

    def _send(self, file: Path) -> None:
        """The store has the record when this returns, and the folder has not."""
        code = whole_code(file)
        self.ensure_is(code, KeptRecord(str(file), code_in(file)))
        self.objects.send(code + SUFFIX, file)
        if self._keep_copies_s:
            copy = self.folder / COPIES / file.relative_to(self.folder)
            copy.parent.mkdir(parents=True, exist_ok=True)
            put(file, copy)
            os.utime(copy)
        else:
            file.unlink()

    def _drop_old_copies(self) -> None:
        before_s = time.time() - self._keep_copies_s
        for copy in (self.folder / COPIES).rglob(f"*{SUFFIX}"):
            with suppress(FileNotFoundError):
                if copy.stat().st_mtime < before_s:
                    copy.unlink()

    def kept(self) -> Iterator[KeptRecord]:
        """Records of the store in the order in which they came there, then those that wait."""
        here = list(super().kept())
        there = sorted(self.objects.names(), key=lambda one: (one.at, one.key))
        for one in there:
            name = one.key.rpartition("/")[2]
            if _NAME.fullmatch(name) and one.key == self.objects.place.key(name):
                yield KeptRecord(one.key, name.removesuffix(SUFFIX))
        yield from here

    @contextmanager
    def opened(self, record: KeptRecord, *, checked: bool = True) -> Iterator[Path]:
        """The record as a checked file: the one here, or a temporary one with what the store has.

        Raises RecordError if it is gone or not what its code says; StoreTrouble.
        """
        if record.file is not None and record.file.exists():
            with super().opened(record, checked=checked) as file:
                yield file
            return
        with tempfile.TemporaryDirectory(prefix="buswitness-record-") as folder:
            file = Path(folder) / (record.code + SUFFIX)
            self.objects.fetch(record.code + SUFFIX, file)
            if checked:
                self.ensure_is(whole_code(file, record.name), record)
            yield file

    def by_code(self, code: str) -> KeptRecord:
        """The record with this code, or the one whose code begins so, here or in the store."""
        with suppress(RecordError):
            return super().by_code(code)
        place = self.objects.place
        if CODE.fullmatch(code) is None:
            raise RecordError(no_such_record(code, f"{place.endpoint}/{place.bucket}"))
        if len(code) == 64:
            return KeptRecord(place.key(code + SUFFIX), code)
        # Asked for are names behind all that are smaller: the first of them begins so, or none does.
        one = next(self.objects.names(after=code), None)
        name = one.key.rpartition("/")[2] if one else ""
        if one is None or not name.startswith(code) or _NAME.fullmatch(name) is None:
            raise RecordError(no_such_record(code, f"{place.endpoint}/{place.bucket}"))
        return KeptRecord(one.key, name.removesuffix(SUFFIX))
