"""The commands below ``record``: what can be asked, and in which words. They only parse; see ``main``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, Work
from probe.cli.timestamp_group import timestamp_app

record_app = typer.Typer(**PLAIN)
record_app.add_typer(
    timestamp_app, name="timestamp", help="Ask for a time stamp without a network, and attach it."
)

Record = Annotated[Path, typer.Argument(metavar="RECORD", help="A record: *.audit.jsonl, *.gz or *.zst.")]
NewRecord = Annotated[
    Path | None,
    typer.Option("--record", metavar="PATH", help="The new record; never overwrites."),
]
NoSign = Annotated[bool, typer.Option("--no-sign", help="Do not sign the new record, though there is a key.")]


@record_app.command("show", short_help="Show verdicts, findings and the bytes they rest on.")
def record_show(
    file: Record,
    tag: Annotated[
        str | None, typer.Option("--tag", metavar="TAG", help="Only what concerns this device.")
    ] = None,
    finding: Annotated[
        str | None,
        typer.Option("--finding", metavar="ID", help="One finding, by id or number, with its raw bytes."),
    ] = None,
    as_json: Json = False,
) -> Work:
    """Show what a record holds: verdicts, findings, and the bytes that they rest on, decoded.

    \b
    Example:
      buswitness record show MSB-1-20260302T101500Z.audit.jsonl
      buswitness record show MSB-1-20260302T101500Z.audit.jsonl --finding 3
    """

    def work() -> int:
        from probe.cli import record_commands

        return record_commands.show(file, as_json=as_json, tag=tag, finding=finding)

    return work


@record_app.command("verify", short_help="Prove that a record is whole and unchanged, and by whom.")
def record_verify(
    file: Record,
    trust: Annotated[
        Path | None,
        typer.Option(
            "--trust",
            metavar="FILE",
            help="Trust file that must know the key. Without it: the one beside the record.",
        ),
    ] = None,
    tsa_certificate: Annotated[
        Path | None,
        typer.Option(
            "--tsa-certificate",
            metavar="CERT",
            help="The record's time stamp must lead to this certificate (PEM or DER) of the authority.",
        ),
    ] = None,
    as_json: Json = False,
) -> Work:
    """Prove that a record is whole and unchanged since it was sealed, and by whose key; exit 4 if not.

    \b
    Example:
      buswitness record verify MSB-1.audit.jsonl
      buswitness record verify MSB-1.audit.jsonl --trust buswitness-trust.yaml
    """

    def work() -> int:
        from probe.cli import record_commands

        return record_commands.verify(file, as_json=as_json, trust=trust, tsa_certificate=tsa_certificate)

    return work


@record_app.command("judge", short_help="Derive all verdicts again from the raw bytes.")
def record_judge(
    file: Record,
    map_file: Annotated[
        Path | None, typer.Option("--map", metavar="MAP", help="Judge with this corrected map.")
    ] = None,
    profile: Annotated[
        list[Path] | None,
        typer.Option("--profile", metavar="FILE", help="A corrected profile; may be given again."),
    ] = None,
    record: NewRecord = None,
    no_sign: NoSign = False,
    as_json: Json = False,
) -> Work:
    """Judge a record again, offline, from its raw bytes, map and profiles, with this version's checks.

    Says whether the verdicts are those that were recorded, or what differs and why. With --map or --profile
    old evidence is judged with corrected files; the result is a new record that names the old one.

    \b
    Example:
      buswitness record judge MSB-1.audit.jsonl
      buswitness record judge MSB-1.audit.jsonl --profile meter-float.yaml
    """

    def work() -> int:
        from probe.cli import record_judge_command

        return record_judge_command.judge(
            file,
            map_file=map_file,
            profiles=tuple(profile or ()),
            record=record,
            sign=not no_sign,
            as_json=as_json,
        )

    return work


@record_app.command("compare", short_help="Say what changed between two records.")
def record_compare(
    before: Annotated[Path, typer.Argument(metavar="BEFORE", help="The older record.")],
    after: Annotated[Path, typer.Argument(metavar="AFTER", help="The newer record.")],
    as_json: Json = False,
) -> Work:
    """Say what appeared, vanished or changed between two records of a lineup.

    Identity, firmware, settings, verdicts, and statistics with their uncertainty: a change inside the noise
    is not called one, and the test that decided is named. Exit code 1 if anything changed for the worse.

    \b
    Example:
      buswitness record compare as-found.audit.jsonl as-left.audit.jsonl
    """

    def work() -> int:
        from probe.cli import record_compare_command

        return record_compare_command.compare(before, after, as_json=as_json)

    return work


@record_app.command("merge", short_help="Join a run, its retests and acceptances into the hand-over state.")
def record_merge(
    files: Annotated[list[Path], typer.Argument(metavar="RECORD...", help="The records, in any order.")],
    record: NewRecord = None,
    no_sign: NoSign = False,
    as_json: Json = False,
) -> Work:
    """Join a run with its retests, resumed parts and acceptances: the hand-over state, as a new record.

    The records stand in it whole. Each finding shows its history (failed first, passed on retest, when, by
    whom); a failure is never erased.

    \b
    Example:
      buswitness record merge first.audit.jsonl retest.audit.jsonl
    """

    def work() -> int:
        from probe.cli import record_merge_commands

        return record_merge_commands.merge(tuple(files), record=record, sign=not no_sign, as_json=as_json)

    return work


@record_app.command("accept", short_help="Record that somebody accepts a deviation.")
def record_accept(  # noqa: PLR0913, PLR0917 (one an option)
    file: Record,
    finding: Annotated[str, typer.Option("--finding", metavar="ID", help="The finding, by id or number.")],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who accepts it.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why it is acceptable.")],
    record: NewRecord = None,
    no_sign: NoSign = False,
    as_json: Json = False,
) -> Work:
    """Record that somebody accepts a finding as it is, by name and reason, in a new record.

    It stays a finding that fails, with a disposition; never a pass. `record merge` joins it in.

    \b
    Example:
      buswitness record accept a.audit.jsonl --finding 3 --by NAME --reason spare
    """

    def work() -> int:
        from probe.cli import record_merge_commands

        return record_merge_commands.accept(
            file, finding=finding, by=by, reason=reason, record=record, sign=not no_sign, as_json=as_json
        )

    return work


@record_app.command("export", short_help="Write findings, the punch list, or a compressed copy.")
def record_export(  # noqa: PLR0913, PLR0917 (one an option)
    file: Record,
    punch_list: Annotated[
        bool, typer.Option("--punch-list", help="Only what is still open: failed and untested findings.")
    ] = False,
    form: Annotated[
        str,
        typer.Option("--format", metavar="FORM", help="csv, yaml or json; else by the file's name."),
    ] = "",
    compress: Annotated[
        str,
        typer.Option("--compress", metavar="HOW", help="A compressed copy of the record: gz or zst."),
    ] = "",
    source: Annotated[
        int, typer.Option("--source", metavar="N", help="Take record N out of a merged one, byte for byte.")
    ] = 0,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="File to make; without it: stdout.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """Write what a record found as a table for other programs, or a compressed copy of the record.

    A table is a view: it carries the record's code, and only the record is proof.

    \b
    Example:
      buswitness record export MSB-1.audit.jsonl --punch-list -o list.csv
      buswitness record export MSB-1.audit.jsonl --compress gz
    """

    def work() -> int:
        from probe.cli import record_export_command

        return record_export_command.export(
            file,
            punch_list=punch_list,
            form="json" if as_json else form,
            compress=compress,
            source=source,
            output=output,
        )

    return work
