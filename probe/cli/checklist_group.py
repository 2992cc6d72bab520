"""The words of ``checklist``; the work is in ``checklist_commands``, ``_fill`` and ``_enter``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, NewRecord, NoSign, ProfileDirs, Work

checklist_app = typer.Typer(**PLAIN)

MapFile = Annotated[Path, typer.Argument(metavar="MAP", help="The device map of the lineup.")]
GivenMap = Annotated[
    Path | None,
    typer.Argument(metavar="MAP", help="The device map; left out with --resume.", show_default=False),
]
GivenList = Annotated[
    Path | None,
    typer.Argument(metavar="CHECKLIST", help="The list; without it: made from the map.", show_default=False),
]
Resume = Annotated[
    Path | None,
    typer.Option("--resume", metavar="RECORD", help="Go on with the list of this record, in a new record."),
]
Operator = Annotated[
    str, typer.Option("--operator", metavar="NAME", help="Who is in charge, for the record.")
]
Initials = Annotated[
    str, typer.Option("--initials", metavar="TEXT", help="Stand beside every answer; asked for if left out.")
]


@checklist_app.command("make", short_help="Make the field checklist of a map, as YAML to be changed.")
def checklist_make(
    map_file: MapFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="File to make; without it: stdout.")
    ] = None,
    items: Annotated[
        Path | None,
        typer.Option("--items", metavar="FILE", help="Own questions (buswitness-checklist-items/1)."),
    ] = None,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Make the field checklist of a map: what to look at and measure at each cubicle, device and cable.

    Needed only to change the list: fill and print make it from the map by themselves.

    \b
    Example:
      buswitness checklist make msb-1.yaml -o field.yaml
    """

    def work() -> int:
        from probe.cli import checklist_commands

        return checklist_commands.make(
            map_file, items=items, output=output, profile_dirs=tuple(profiles or ()), as_json=as_json
        )

    return work


@checklist_app.command("fill", short_help="Work through it at the gear, with single keys.")
def checklist_fill(  # noqa: PLR0913, PLR0917 (one an option)
    map_file: GivenMap = None,
    checklist: GivenList = None,
    resume: Resume = None,
    record: NewRecord = None,
    operator: Operator = "",
    initials: Initials = "",
    no_sign: NoSign = False,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Work through the field checklist: one line at a time, one key an answer, every answer in the record.

    Cautions are acknowledged first. Measured values are held against the desk calculations at once.
    What nobody did is not tested, never a pass. It asks no device. Stop at any time (q) and go on later.

    \b
    Exit codes: 0 nothing failed, 1 a line fails, 3 not all lines are done.

    \b
    Example:
      buswitness checklist fill msb-1.yaml --operator "A. Tester" --initials AT
      buswitness checklist fill --resume MSB-1-checklist-20260302T101500Z.audit.jsonl
    """

    def work() -> int:
        from probe.cli.checklist_fill import fill
        from probe.cli.checklist_start import Wanted

        return fill(
            Wanted(
                map_file=map_file,
                checklist=checklist,
                resume=resume,
                record=record,
                operator=operator,
                initials=initials,
                sign=not no_sign,
                as_json=as_json,
                profile_dirs=tuple(profiles or ()),
            )
        )

    return work


@checklist_app.command("print", short_help="Print it as a PDF, to be filled in by hand.")
def checklist_print(
    map_file: MapFile,
    checklist: GivenList = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="PDF to make.")
    ] = None,
    paper: Annotated[str, typer.Option("--paper", metavar="SIZE", help="a4 or letter.")] = "a4",
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Print the field checklist to be filled in by hand; `checklist enter` types it in later.

    \b
    Example:
      buswitness checklist print msb-1.yaml --paper letter
    """

    def work() -> int:
        from probe.cli import checklist_commands

        return checklist_commands.printed(
            map_file,
            checklist,
            output=output,
            paper=paper,
            profile_dirs=tuple(profiles or ()),
            as_json=as_json,
        )

    return work


@checklist_app.command("enter", short_help="Type in a printed list that was filled in by hand.")
def checklist_enter(  # noqa: PLR0913, PLR0917 (one an option)
    map_file: GivenMap = None,
    checklist: GivenList = None,
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who filled in the paper.")] = "",
    on: Annotated[str, typer.Option("--on", metavar="DATE", help="When, as the paper says.")] = "",
    signed: Annotated[bool, typer.Option("--signed", help="The caution box of the paper is signed.")] = False,
    resume: Resume = None,
    record: NewRecord = None,
    operator: Operator = "",
    initials: Initials = "",
    no_sign: NoSign = False,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Type in a list that was filled in on paper: one line of text an answer, from the keyboard or a file.

    \b
    12 y               line 12: yes             15 x no UPS here     does not apply, and why
    13 n loose gland   no, and what is wrong    16 s no access       left out, and why
    14 23.4 V          a measured value         17 p IMG_0012.jpg    a photograph (r TEXT: a remark)
    end                the list is ended

    \b
    Example:
      buswitness checklist enter msb-1.yaml --by "A. Tester" --on 2026-03-14 --signed
    """

    def work() -> int:
        from probe.cli.checklist_enter import enter
        from probe.cli.checklist_start import Wanted

        wanted = Wanted(
            map_file=map_file,
            checklist=checklist,
            resume=resume,
            record=record,
            operator=operator,
            initials=initials,
            sign=not no_sign,
            as_json=as_json,
            profile_dirs=tuple(profiles or ()),
        )
        return enter(wanted, by=by, on=on, signed=signed)

    return work


@checklist_app.command("check", short_help="Check a changed checklist against its map.")
def checklist_check(
    map_file: MapFile,
    checklist: Annotated[Path, typer.Argument(metavar="CHECKLIST", help="The list to check.")],
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Check a field checklist: every problem with its line and column, also against the map.

    \b
    Example:
      buswitness checklist check msb-1.yaml field.yaml
    """

    def work() -> int:
        from probe.cli import checklist_commands

        return checklist_commands.check(
            map_file, checklist, profile_dirs=tuple(profiles or ()), as_json=as_json
        )

    return work


@checklist_app.command("schema", short_help="JSON Schema of a checklist, for editors.")
def checklist_schema(
    items: Annotated[
        bool, typer.Option("--items", help="Of a list of questions (checklist make --items).")
    ] = False,
) -> Work:
    """Print the JSON Schema of a field checklist, for editors that complete and check as one types.

    \b
    Example:
      buswitness checklist schema > buswitness-checklist.schema.json
    """

    def work() -> int:
        from probe.cli import checklist_commands

        return checklist_commands.schema(items=items)

    return work
