"""The command ``record export``: tables for other programs, compressed copies, records out of merged ones."""

from __future__ import annotations

import sys
from pathlib import Path

from probe.cli.failure import Exit
from probe.cli.new_file import make_new
from probe.model.errors import InputError, Problem
from probe.present.console import say
from probe.present.table_text import FORMS, csv_text, json_text, yaml_text
from probe.record.content import RecordContent, load
from probe.record.header import rfc3339
from probe.record.joining import take_out
from probe.record.packed import pack
from probe.record.punch import COLUMNS, punch_list, rows
from probe.record.verify import verify

FORMAT = "buswitness-findings/1"
PACKINGS = ("gz", "zst")


def export(
    file: Path, *, punch_list: bool, form: str, compress: str, source: int, output: Path | None
) -> int:
    """Write what was asked for; 0. Raises InputError, RecordError."""
    wishes = sum((bool(compress), bool(source), punch_list or bool(form)))
    if wishes > 1:
        what = "one thing at a time: a table, a compressed copy (--compress), or a record inside (--source)"
        raise InputError([Problem(file="record export", what=what, remedy="give the command twice")])
    if compress:
        return _compressed(file, compress, output)
    if source:
        return _taken_out(file, source, output)
    return _table(file, form, output, only_open=punch_list)


def _table(file: Path, form: str, output: Path | None, *, only_open: bool) -> int:
    form = form or (output.suffix.lower().lstrip(".") if output is not None else "csv")
    form = "yaml" if form == "yml" else form
    if form not in FORMS:
        allowed = ", ".join(FORMS)
        raise InputError(
            [Problem(file="--format", what="there is no such form", found=form, allowed=allowed)]
        )
    content = load(file, with_evidence=False)
    table = punch_list(content) if only_open else rows(content, content.findings)
    name = "punch_list" if only_open else "findings"
    head = _head(content, file)
    if form == "csv":
        text = csv_text((*COLUMNS, "record_code"), [{**row, "record_code": head["code"]} for row in table])
    elif form == "yaml":
        text = yaml_text(head, name, COLUMNS, table)
    else:
        text = json_text(head, name, table)
    _write(text, output, with_mark=form == "csv")
    return Exit.DONE


def _head(content: RecordContent, file: Path) -> dict[str, str]:
    header = content.header
    return {
        "format": FORMAT,
        "note": "a view of the record; only the record is proof",
        "record": str(file),
        "code": content.code if content.seal is not None else "not closed",
        "site": header.site,
        "lineup": header.lineup,
        "started": rfc3339(header.started_wall_ns),
        "operator": header.operator,
    }


def _write(text: str, output: Path | None, *, with_mark: bool) -> None:
    """To stdout or a new file. with_mark: spreadsheets take UTF-8 for what it is only with this mark."""
    if output is None:
        sys.stdout.write(text.replace("\r\n", "\n"))
        sys.stdout.flush()
        return
    data = text.encode("utf-8-sig" if with_mark else "utf-8", "backslashreplace")
    make_new(output, lambda out: out.write(data))
    say(f"Written to {output}.")


def _compressed(file: Path, how: str, output: Path | None) -> int:
    if how not in PACKINGS:
        what, allowed = "there is no such packing", " or ".join(PACKINGS)
        raise InputError([Problem(file="--compress", what=what, found=how, allowed=allowed)])
    target = output or file.with_name(f"{file.name}.{how}")
    make_new(target, lambda out: pack(file, out, how))
    before, after = verify(file), verify(target)
    if (before.head, before.count) != (after.head, after.count):
        raise RuntimeError(f"{target} does not hold what {file} holds")
    share = target.stat().st_size / max(file.stat().st_size, 1)
    say(f"Written to {target}, {share:.0%} of the size; the record inside is the same, byte for byte.")
    return Exit.DONE


def _taken_out(file: Path, number: int, output: Path | None) -> int:
    if output is None:
        what, remedy = "a record goes into a file", "give its name with --output"
        raise InputError([Problem(file="--source", what=what, remedy=remedy)])
    make_new(output, lambda out: take_out(file, number, out.write))
    say(f"Written to {output}, byte for byte as it was sealed.")
    return Exit.DONE
