"""Taking a capture: frames from a tap into a ring of pcapng files, up to a limit of time or size.

Each file is whole by itself at any moment: frames are written in lots, and what could not be written whole (a
full disk) is cut off again. The hash of each file is made while it is written.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import os
import platform
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import probe
from probe.model.capture_evidence import CaptureFile
from probe.model.clock import RunClock
from probe.model.errors import InputError, Problem
from probe.wire.capture.pcapng import interface_block, packet_block, section_header, statistics_block
from probe.wire.capture.taps import LONGEST, Taken, Tap, TapLostError

#: Seconds of waiting for a frame; how late a limit of time or Ctrl-C may be seen.
_TURN_S = 0.2


class Ended(StrEnum):
    """Why a capture or one of its files ended."""

    TIME = "the time was over"
    SIZE = "the size was reached"
    STOPPED = "stopped by the operator"
    NEXT = "the next file of the ring"
    LOST = "the interface went away"
    FULL = "the disk was full"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """When to end, and how files follow each other; 0: no limit.

    each: bytes a file of the ring; keep: files of it that stay.
    """

    seconds: float = 0
    total: int = 0
    each: int = 0
    keep: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is recorded and how. link_bps: speed of the link, 0 if not known.

    wanted: says of a frame whether it is kept; None for every one.
    """

    interface: str
    path: Path
    limits: Limits
    filter: str = ""
    link_bps: int = 0
    wanted: Callable[[bytes, int], bool] | None = None


@dataclass(slots=True)
class Counts:
    """How far a capture is: frames kept, frames left out by the filter, frames lost, bytes, files."""

    packets: int = 0
    left_out: int = 0
    dropped: int = 0
    size: int = 0
    files: int = 0


class CaptureTaker:
    """One capture. ``run`` goes on until a limit, ``stop`` or a failure; ``closed`` is told each closed file.

    watch: is given all bytes that are written (for figures while it goes); what it raises ends only itself.
    """

    def __init__(
        self, order: Order, tap: Tap, clock: RunClock, closed: Callable[[CaptureFile], None]
    ) -> None:
        self._order, self._tap, self._clock, self._closed = order, tap, clock, closed
        self._watch: Callable[[bytes], None] | None = None
        self._stopped = False
        self._began_ns = clock.now_ns()
        self._kept: list[Path] = []
        self.counts = Counts()
        self.detail = ""
        self._file = self._next_file()

    @property
    def interface(self) -> str:
        """The interface that is recorded."""
        return self._order.interface

    def stop(self) -> None:
        """End at the next turn; safe from a signal handler."""
        self._stopped = True

    def watch(self, watch: Callable[[bytes], None]) -> None:
        """Give all bytes of the current file, and those to come, to ``watch``."""
        self._watch = watch
        watch(self._file.head)

    def run(self, turn: Callable[[], None] = lambda: None) -> Ended:
        """Record until it ends; turn is called several times a second. Why it ended."""
        ended: Ended | None = None
        try:
            while ended is None:
                ended = self._turn()
                turn()
        finally:
            self._end_file(ended or Ended.STOPPED)
            self._tap.close()
        return ended

    def _turn(self) -> Ended | None:
        try:
            taken = self._tap.take(_TURN_S)
            self._keep(taken)
        except TapLostError as error:
            self.detail = str(error)
            return Ended.LOST
        except OSError as error:
            self.detail = error.strerror or str(error)
            return Ended.FULL
        return self._limit()

    def _limit(self) -> Ended | None:
        limits = self._order.limits
        if self._stopped:
            return Ended.STOPPED
        if limits.seconds and (self._clock.now_ns() - self._began_ns) / 1e9 >= limits.seconds:
            return Ended.TIME
        if limits.total and self.counts.size >= limits.total:
            return Ended.SIZE
        return None

    def _keep(self, taken: list[Taken]) -> None:
        wanted, link = self._order.wanted, self._tap.link
        kept = [one for one in taken if wanted is None or wanted(one.data, link)]
        self.counts.left_out += len(taken) - len(kept)
        if not kept:
            return
        blocks = b"".join(packet_block(one.wall_ns, one.data, one.wire) for one in kept)
        self._file.write(blocks)
        self._file.note(len(kept), kept[0].wall_ns, kept[-1].wall_ns)
        self.counts.packets += len(kept)
        self.counts.size += len(blocks)
        self._show(blocks)
        if self._order.limits.each and self._file.size >= self._order.limits.each:
            self._end_file(Ended.NEXT)
            self._file = self._next_file()
            self._show(self._file.head)

    def _show(self, data: bytes) -> None:
        if self._watch is None:
            return
        try:
            self._watch(data)
        except Exception:  # noqa: BLE001 (an observer must not end the capture)
            self._watch = None

    def _next_file(self) -> _File:
        self.counts.files += 1
        path = self._order.path
        if self._order.limits.each:
            path = path.with_name(f"{path.stem}-{self.counts.files:05d}{path.suffix}")
        head = section_header(platform.platform(terse=True), f"buswitness {probe.__version__}")
        head += interface_block(
            self._order.interface,
            self._tap.link,
            LONGEST + 1,
            filtered=self._order.filter,
            bits_a_second=self._order.link_bps,
        )
        file = _File(path, head)
        self._kept.append(path)
        self._forget_oldest()
        return file

    def _forget_oldest(self) -> None:
        keep = self._order.limits.keep
        while keep and len(self._kept) > keep:
            with contextlib.suppress(OSError):
                self._kept.pop(0).unlink()

    def _end_file(self, why: Ended) -> None:
        dropped = self._tap.dropped()
        self.counts.dropped += dropped
        self._file.close(dropped)
        self._closed(self._file.evidence(self._clock.now_ns(), self._order, why, dropped))


class _File:
    """One pcapng file; ``write`` keeps it whole."""

    def __init__(self, path: Path, head: bytes) -> None:
        """Raises InputError if it cannot be made or is there."""
        self.path, self.head = path, head
        try:
            self._file = io.FileIO(path, "x")
        except OSError as error:
            raise InputError([_unwritable(path, error)]) from error
        self._hash = hashlib.sha256()
        self.size = 0
        self.packets = 0
        self._first_ns = self._last_ns = 0
        try:
            self.write(head)
        except OSError as error:
            self._file.close()
            path.unlink(missing_ok=True)
            raise InputError([_unwritable(path, error)]) from error

    def write(self, data: bytes) -> None:
        """Write all of it, or none: what was begun is cut off again. Raises OSError."""
        view, at = memoryview(data), 0
        try:
            while at < len(view):
                count = self._file.write(view[at:]) or 0
                if not count:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                at += count
        except OSError:
            self._file.truncate(self.size)
            self._file.seek(self.size)
            raise
        self._hash.update(data)
        self.size += len(data)

    def note(self, packets: int, first_ns: int, last_ns: int) -> None:
        """Count what was written."""
        if not self.packets:
            self._first_ns = first_ns
        self.packets += packets
        self._last_ns = max(self._last_ns, last_ns)

    def close(self, dropped: int) -> None:
        """Write the closing block where there is room for it, and close; never raises."""
        if self._file.closed:
            return
        with contextlib.suppress(OSError):
            self.write(statistics_block(self._last_ns, self.packets + dropped, dropped))
        with contextlib.suppress(OSError):
            os.fsync(self._file.fileno())
        with contextlib.suppress(OSError):
            self._file.close()

    def evidence(self, at_ns: int, order: Order, why: Ended, dropped: int) -> CaptureFile:
        """The file for the record."""
        return CaptureFile(
            at_ns=at_ns,
            file=self.path.name,
            sha256=self._hash.hexdigest(),
            size=self.size,
            packets=self.packets,
            dropped=dropped,
            interface=order.interface,
            filter=order.filter,
            ending=why.value,
            wall_ns=self._first_ns,
            span_ns=max(self._last_ns - self._first_ns, 0),
        )


def _unwritable(path: Path, error: OSError) -> Problem:
    if isinstance(error, FileExistsError):
        return Problem(
            file=str(path), what="there is a file of this name already", remedy="give another name with -o"
        )
    return Problem(file=str(path), what=f"the capture cannot be written: {error.strerror or error}")
