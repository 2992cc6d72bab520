"""The commands ``record timestamp request`` and ``record timestamp attach``; neither uses a network."""

from __future__ import annotations

from pathlib import Path

from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.cli.new_file import make_new
from probe.collect.inputs import read_bytes
from probe.model.errors import InputError, Problem, RecordError
from probe.present.console import emit_json, say
from probe.record import timestamp
from probe.record.der import nonce_of
from probe.record.proof import last_line
from probe.record.verify import verify

FORMAT = "buswitness-timestamp/1"


def request(file: Path, *, output: Path | None, as_json: bool) -> int:
    """Write the request for a sealed record; 0. Raises InputError, RecordError."""
    line = _sealed_line(file)
    target = output or timestamp.request_path(file)
    data = timestamp.request(line)
    make_new(target, lambda out: out.write(data))
    if as_json:
        emit_json({"format": FORMAT, "record": str(file), "request": str(target)})
        return Exit.DONE
    say(f"Request written to {target}; it holds the record's hash, nothing of its contents.")
    say("Have a time-stamp authority answer it (type application/timestamp-query), then:")
    say(f"  {command('record', 'timestamp', 'attach', file, 'ANSWER')}")
    return Exit.DONE


def attach(file: Path, answer: Path, *, certificate_file: Path | None, as_json: bool) -> int:
    """Put the answer beside the record; 0. Raises InputError if it is not for this record, RecordError."""
    line = _sealed_line(file)
    data = read_bytes(answer, limit_bytes=timestamp.LARGEST)
    certificates = (
        timestamp.certificates_from(certificate_file.as_posix(), read_bytes(certificate_file))
        if certificate_file is not None
        else ()
    )
    asked = timestamp.request_path(file)
    nonce = nonce_of(read_bytes(asked)) if asked.is_file() else None
    stamp = timestamp.examine(data, line, certificates, nonce)
    if not stamp.holds:
        remedy = "have the authority answer the request that was made for this record"
        raise InputError(
            [Problem(file=str(answer), what=f"this answer is of no use: {stamp.text}", remedy=remedy)]
        )
    target = timestamp.answer_path(file)
    make_new(target, lambda out: out.write(data))
    if as_json:
        document = {"format": FORMAT, "record": str(file), "answer": str(target), "proved": stamp.proved}
        emit_json({**document, "text": stamp.text})
        return Exit.DONE
    say(f"Kept beside the record as {target}. The time stamp: {stamp.text}.")
    return Exit.DONE


def _sealed_line(file: Path) -> bytes:
    """The seal line of a record that verifies. Raises RecordError, InputError."""
    found = verify(file)
    if not found.holds:
        what = f"only a record that verifies can be stamped; this one does not ({found.damage})"
        raise RecordError(Problem(file=str(file), what=what, line=found.first_bad_line or 0))
    return last_line(file)
