"""New records made from old ones at the desk: their head, their name, and whose key seals them."""

from __future__ import annotations

import contextlib
import platform
import socket
import sys
from collections.abc import Sequence
from pathlib import Path

import probe
from probe.cli.key_commands import signer_of_this_computer
from probe.cli.new_file import free_name
from probe.model.lineup import SourceText
from probe.model.scope import Scope
from probe.record.header import Header, Instrument, Source
from probe.record.own_code import own_code
from probe.record.writer import RecordWriter
from probe.wire.system_clock import SystemClock


def desk_header(  # noqa: PLR0913 (each may be left out)
    like: Header,
    sources: Sequence[Source],
    *,
    map_texts: Sequence[SourceText] = (),
    profile_texts: Sequence[SourceText] = (),
    study_texts: Sequence[SourceText] = (),
    sheet_texts: Sequence[SourceText] = (),
    scope: Scope | None = None,
    operator: str = "",
) -> Header:
    """The head of a record that is made now, on this computer, from the sources.

    like: whose site and lineup it is about. scope: None for that of ``like``. operator: empty for whoever
    ran ``like``: for verdicts derived again, that is who stood at the gear.
    """
    instrument = Instrument(
        host_name=socket.gethostname(), system=platform.platform(), python=platform.python_version()
    )
    return Header(
        tool_version=probe.__version__,
        tool_code=own_code(),
        site=like.site,
        lineup=like.lineup,
        map_texts=tuple(map_texts),
        profile_texts=tuple(profile_texts),
        study_texts=tuple(study_texts),
        sheet_texts=tuple(sheet_texts),
        scope=scope or like.scope,
        started_wall_ns=SystemClock().wall_ns(),
        instrument=instrument,
        operator=operator,
        command=tuple(sys.argv[1:]),
        sources=tuple(sources),
    )


def begin(path: Path | None, beside: Path, mark: str, header: Header, *, sign: bool) -> RecordWriter:
    """A new record: where the user wants it, or beside the old one with a mark in its name.

    Raises InputError.
    """
    signer = signer_of_this_computer(wanted=sign)
    return RecordWriter.create(path or free_name(beside, mark), header, signer=signer)


def undone_if_it_fails(writer: RecordWriter) -> contextlib.ExitStack:
    """Takes the new record away again if it could not be finished: nothing was measured for it."""
    stack = contextlib.ExitStack()

    def undo(kind: object, *_: object) -> None:
        writer.close()
        if kind is not None:
            with contextlib.suppress(OSError):
                writer.path.unlink()

    stack.push(undo)
    return stack
