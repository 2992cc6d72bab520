"""The command ``report``: what can be asked, and in which words. It only parses; see ``main``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import Json, Work


def report(  # noqa: PLR0913, PLR0917 (one an option)
    file: Annotated[
        Path | None,
        typer.Argument(metavar="RECORD", help="A record: *.audit.jsonl, *.gz or *.zst.", show_default=False),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--output",
            metavar="PATH",
            help="The new file; never overwrites. Without it: beside the record.",
        ),
    ] = None,
    made_as: Annotated[
        str | None,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help="pdf (with the record inside), html (one file) or xlsx (a view).",
        ),
    ] = None,
    paper: Annotated[str, typer.Option("--paper", metavar="SIZE", help="a4 or letter.")] = "a4",
    project: Annotated[
        Path | None,
        typer.Option("--project", metavar="FILE", help="Project numbers, logo, names, own texts (YAML)."),
    ] = None,
    verify: Annotated[
        Path | None,
        typer.Option(
            "--verify", metavar="PDF", help="Prove a report: its record, and that its pages came from it."
        ),
    ] = None,
    as_json: Json = False,
) -> Work:
    """Make the turnover document of a record: a PDF/A-3 that carries the record itself, HTML, or XLSX.

    Cover, picture of the lineup, causes, punch list, a page for each device, clocks, network, method, and
    blocks to sign. What is incomplete says so on every page.

    With --verify the record is taken out of a PDF, verified, and the pages are made again from it: exit code
    0 if all holds, 4 if not, 3 if another version made it and the pages cannot be compared.

    \b
    Example:
      buswitness report MSB-1-20260302T101500Z.audit.jsonl
      buswitness report MSB-1-20260302T101500Z.audit.jsonl --paper letter --project project.yaml
      buswitness report --verify MSB-1-20260302T101500Z.report.pdf
    """

    def work() -> int:
        from probe.model.errors import InputError, Problem

        if verify is not None:
            if file is not None or output is not None or made_as is not None or project is not None:
                what = "--verify takes a report alone; leave the record and the other options out"
                raise InputError(
                    [Problem(file="--verify", what=what, remedy="see `buswitness report --help`")]
                )
            from probe.cli import report_verify_command

            return report_verify_command.verify(verify, as_json=as_json)
        if file is None:
            what = "a record is missing"
            raise InputError(
                [Problem(file="buswitness report", what=what, remedy="name a record, or --verify PDF")]
            )
        from probe.cli import report_command

        return report_command.make(
            file, output=output, made_as=made_as, paper=paper, project=project, as_json=as_json
        )

    return work
