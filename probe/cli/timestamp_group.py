"""The commands below ``record timestamp``: they only parse; see ``main``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, Work

timestamp_app = typer.Typer(**PLAIN)

Record = Annotated[Path, typer.Argument(metavar="RECORD", help="A sealed record, *.audit.jsonl.")]


@timestamp_app.command("request", short_help="Make the request file for a time-stamp authority.")
def timestamp_request(
    file: Record,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="PATH", help="File to make; without it: RECORD.tsq."),
    ] = None,
    as_json: Json = False,
) -> Work:
    """Make the request file (RFC 3161) for a time-stamp authority; nothing is sent.

    Carry the file to a computer with a network, let the authority answer it, and attach the answer. The
    request holds a hash of the record, nothing of its contents.

    \b
    Example:
      buswitness record timestamp request MSB-1.audit.jsonl
    """

    def work() -> int:
        from probe.cli import timestamp_commands

        return timestamp_commands.request(file, output=output, as_json=as_json)

    return work


@timestamp_app.command("attach", short_help="Put the authority's answer beside the record.")
def timestamp_attach(
    file: Record,
    answer: Annotated[Path, typer.Argument(metavar="ANSWER", help="The authority's answer, *.tsr.")],
    tsa_certificate: Annotated[
        Path | None,
        typer.Option("--tsa-certificate", metavar="CERT", help="Check it against this certificate first."),
    ] = None,
    as_json: Json = False,
) -> Work:
    """Put the authority's answer beside the record, as RECORD.tsr. The record itself is never touched.

    Refused unless the answer is for just this record.

    \b
    Example:
      buswitness record timestamp attach MSB-1.audit.jsonl answer.tsr
    """

    def work() -> int:
        from probe.cli import timestamp_commands

        return timestamp_commands.attach(file, answer, certificate_file=tsa_certificate, as_json=as_json)

    return work
