"""The words of ``witness``; the work is in ``witness_command``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import Json, NewRecord, NoSign, Operator, ProfileDirs, Work


def witness(  # noqa: PLR0913, PLR0917 (one an option)
    map_file: Annotated[
        Path | None,
        typer.Argument(
            metavar="MAP", help="The device map; or a record, to go on with it.", show_default=False
        ),
    ] = None,
    procedure: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[PROCEDURE]...",
            help="Name of a procedure that comes with the tool, or a YAML file of your own.",
            show_default=False,
        ),
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="WHAT", help="Act only on these devices; all others are watched."),
    ] = None,
    skip: Annotated[
        list[str] | None, typer.Option("--skip", metavar="WHAT", help="Leave these devices alone altogether.")
    ] = None,
    initials: Annotated[
        str,
        typer.Option("--initials", metavar="AB", help="Of whoever works the keys; asked for if left out."),
    ] = "",
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="NAME=VALUE", help="What the site decided, as discharge='20 min'."),
    ] = None,
    close: Annotated[
        bool, typer.Option("--close", help="With a record: judge and close it as it stands.")
    ] = False,
    list_: Annotated[
        bool, typer.Option("--list", help="Show the procedures that come with the tool.")
    ] = False,
    check: Annotated[
        str, typer.Option("--check", metavar="FILE", help="Check a procedure of your own, and nothing else.")
    ] = "",
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema of procedures.")] = False,
    record: NewRecord = None,
    operator: Operator = "",
    no_sign: NoSign = False,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Lead people through a functional test at the gear: they act, the tool watches and times.

    It never operates anything. Each step shows its cautions first, then what to do, then expected beside
    seen; single keys answer. What is said and seen goes to a record that can be left and gone on with.
    Follow the site's procedures, lockout and local codes; only qualified persons act.

    \b
    Example:
      buswitness witness msb-1.yaml
      buswitness witness msb-1.yaml open-close-local --only 52-F1 --initials AB
      buswitness witness MSB-1-20260302T101500Z.audit.jsonl
    """

    def work() -> int:
        from probe.cli import procedure_commands, witness_command
        from probe.cli.audit_start import Wishes

        if schema:
            return procedure_commands.schema()
        if list_:
            return procedure_commands.list_procedures(as_json=as_json)
        if check:
            return procedure_commands.check_procedure(check, as_json=as_json)
        if map_file is None:
            raise witness_command.no_map()
        witness_command.check_initials(initials)
        return witness_command.witness(
            map_file,
            tuple(procedure or ()),
            witness_command.Choice(
                only=tuple(only or ()), skip=tuple(skip or ()), values=tuple(set_ or ()), initials=initials
            ),
            Wishes(operator=operator, sign=not no_sign, as_json=as_json),
            record=record,
            close=close,
            profile_dirs=tuple(profiles or ()),
        )

    return work
