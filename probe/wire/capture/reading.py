"""One capture file, from its bytes to its figures, in constant memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from probe.model.capture import CaptureFigures
from probe.model.errors import InputError, Problem
from probe.wire.capture import layout
from probe.wire.capture.engine import Kernel, NoKernelError
from probe.wire.capture.figures import figures_of
from probe.wire.capture.rare import RareFrames
from probe.wire.capture.source import Source, open_source

#: Told now and then: bytes of the file done so far.
Progress = Callable[[int], None]


class Reader:
    """Takes the bytes of a capture as they come, from a file or from a capture in progress."""

    def __init__(self, ports: Sequence[int]) -> None:
        """ports: TCP ports on which Modbus is spoken. Raises InputError where there is no kernel."""
        try:
            self._kernel = Kernel(ports)
        except NoKernelError as error:
            raise InputError([_no_kernel(error)]) from error
        self._rare = RareFrames()

    def room(self) -> memoryview:
        """Where the next bytes go."""
        return self._kernel.room()

    def took(self, count: int) -> None:
        """Work on the ``count`` bytes that were put into the room."""
        for lot in self._kernel.feed(count):
            self._rare.take(lot, self._kernel.totals()["link_type"])

    def write(self, data: bytes) -> None:
        """Take bytes that are elsewhere."""
        view = memoryview(data)
        while view:
            room = self.room()
            step = min(len(room), len(view))
            room[:step] = view[:step]
            self.took(step)
            view = view[step:]

    @property
    def ended(self) -> bool:
        """True where further bytes cannot be read: the file is damaged, or no capture."""
        return self._kernel.ended

    def finish(self) -> None:
        """The capture has ended."""
        self._kernel.finish()

    def totals(self) -> dict[str, int]:
        """All totals so far."""
        return self._kernel.totals()

    def figures(self, file: str, size: int, *, gzip: bool = False) -> CaptureFigures:
        """All figures so far."""
        return figures_of(self._kernel, self._rare, file, size, gzip=gzip)


def read_capture(
    path: Path, ports: Sequence[int] = (502,), progress: Progress | None = None
) -> CaptureFigures:
    """The figures of a capture file. Raises InputError for a file that cannot be read or is no capture."""
    reader = Reader(ports)
    try:
        source = open_source(path)
    except OSError as error:
        raise InputError([_unreadable(path, error)]) from error
    try:
        cut = _through(reader, source, progress)
    except OSError as error:
        raise InputError([_unreadable(path, error)]) from error
    finally:
        source.close()
    reader.finish()
    return _judged(reader, path, source, cut=cut)


def _through(reader: Reader, source: Source, progress: Progress | None) -> bool:
    """Read to the end; whether the compressed file ended before its end."""
    told = 0
    while count := source.read(reader.room()):
        reader.took(count)
        if progress is not None and source.done - told >= 1 << 24:
            told = source.done
            progress(told)
        if reader.ended:
            break
    return source.cut


def _judged(reader: Reader, path: Path, source: Source, *, cut: bool) -> CaptureFigures:
    from dataclasses import replace

    from probe.model.capture import Ending

    status = reader.totals()["status"]
    if status == layout.NOT_A_CAPTURE:
        raise InputError([_no_capture(path)])
    figures = reader.figures(str(path), path.stat().st_size, gzip=source.compressed)
    return replace(figures, ending=Ending.CUT_SHORT) if cut and figures.ending is Ending.WHOLE else figures


def _no_capture(path: Path) -> Problem:
    return Problem(
        file=str(path),
        what="this is not a capture file",
        found=_first_bytes(path),
        allowed="pcap or pcapng, also compressed with gzip",
        remedy="save the capture as pcapng; for a folder of captures give the folder",
    )


def _first_bytes(path: Path) -> str:
    with path.open("rb") as file:
        return f"first bytes {file.read(8).hex(' ') or '(none)'}"


def _unreadable(path: Path, error: OSError) -> Problem:
    return Problem(file=str(path), what=f"the file cannot be read: {error.strerror or error}")


def _no_kernel(error: NoKernelError) -> Problem:
    return Problem(
        file="this installation",
        what=str(error),
        remedy="read the capture on Linux, Windows or macOS with an x86-64 or 64-bit ARM processor",
    )
