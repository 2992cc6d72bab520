"""The command ``report --verify``: does the record in a report hold, and were the pages made from it?

The record is taken out and verified, and the document is made again from it by the order that is enclosed
beside it. Same versions give the same bytes; then nothing on any page is anything but what the record says.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from probe.cli.failure import Exit
from probe.cli.report_command import LARGEST_PART, LARGEST_RECORD, material_of
from probe.model.errors import InputError, RecordError
from probe.present.console import emit_json, say
from probe.present.turnover.enclosure import OPTIONS_NAME
from probe.present.turnover.extraction import NotOursError, enclosed_files
from probe.present.turnover.making import (
    OPTIONS_FORMAT,
    ReportFormat,
    made_by,
    order_from,
    report,
)
from probe.record.seal import spoken
from probe.record.signing import fingerprint
from probe.record.verify import Verification
from probe.record.verify import verify as verify_record

VERIFY_FORMAT = "buswitness-report-verify/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What was found out. pages: ``same``, ``same, and more behind``, ``differ`` or ``not tested``.

    record: None if none could be taken out. behind: bytes after the document as it was made.
    """

    pages: str
    why: str
    record: Verification | None = None
    options: Mapping[str, Any] | None = None
    behind: int = 0

    @property
    def code(self) -> Exit:
        """0: all holds; 4: it does not; 3: it could not be told whether the pages are genuine."""
        if self.record is None or not self.record.holds or self.pages == "differ":
            return Exit.RECORD_WRONG
        return Exit.DONE if self.pages == "same" else Exit.INCOMPLETE


def verify(file: Path, *, as_json: bool) -> int:
    """Say whether the record in the report holds and whether its pages came from it; the exit code.

    Raises InputError if there is no readable file.
    """
    from probe.collect.inputs import read_bytes

    data = read_bytes(file, limit_bytes=2 * (LARGEST_RECORD + LARGEST_PART))
    answer = examine(data)
    if as_json:
        emit_json(_document(answer, str(file)))
    else:
        _tell(answer, str(file))
    return answer.code


def examine(data: bytes) -> Answer:
    """The answer for the bytes of a report. Touches no file but in a folder of its own, which is removed."""
    try:
        inside = enclosed_files(data)
        options = _options(inside)
    except NotOursError as error:
        return Answer(pages="not tested", why=f"no record could be taken out: {error}")
    with tempfile.TemporaryDirectory(prefix="buswitness-report-") as folder:
        path = Path(folder) / Path(str(options["record"])).name
        path.write_bytes(inside[options["record"]])
        found = verify_record(path)
        if not found.holds and not _is_open(found):
            return Answer(pages="not tested", why="its record does not hold", record=found, options=options)
        other = _other_versions(options)
        if other:
            return Answer(pages="not tested", why=other, record=found, options=options)
        return _made_again(data, path, inside, options, found)


def _options(inside: Mapping[str, bytes]) -> Mapping[str, Any]:
    """The order that made it. Raises NotOursError if there is none, or none that this version reads."""
    from probe.record.reader import NotALineError, json_of

    try:
        options = json_of(inside[OPTIONS_NAME])
        if options["format"] != OPTIONS_FORMAT:
            raise NotOursError("it was made by a newer version in another way")
        if not isinstance(options["record"], str) or options["record"] not in inside:
            raise NotOursError("it does not enclose the record that it names")
    except (NotALineError, KeyError, TypeError) as error:
        raise NotOursError("it does not enclose how it was made") from error
    return dict(options)


def _is_open(found: Verification) -> bool:
    """Whole lines without a seal: the report then says on every page that the record was not closed."""
    return found.unchanged is True and not found.closed


def _other_versions(options: Mapping[str, Any]) -> str:
    """Why the pages cannot be made again as they were; empty if they can."""
    mine = made_by()
    if options.get("tool_version") != mine["tool_version"]:
        return (
            f"it was made by buswitness {options.get('tool_version')}, this is {mine['tool_version']}: "
            "only that version makes the same pages"
        )
    if options.get("typesetter") != mine["typesetter"]:
        return f"it was set by {options.get('typesetter')}, here is {mine['typesetter']}"
    if options.get("tool_code") != mine["tool_code"]:
        return f"it was made by another build of buswitness {mine['tool_version']}"
    return ""


def _made_again(
    data: bytes, path: Path, inside: Mapping[str, bytes], options: Mapping[str, Any], found: Verification
) -> Answer:
    try:
        again, _ = report(material_of(path), order_from(options, inside), ReportFormat.PDF)
    except (InputError, RecordError, KeyError, TypeError, ValueError) as error:
        why = f"the pages cannot be made from what it encloses ({type(error).__name__})"
        return Answer(pages="differ", why=why, record=found, options=options)
    if data == again:
        why = "made again from the record, it came out the same, byte for byte"
        return Answer(pages="same", why=why, record=found, options=options)
    if data.startswith(again):
        behind = len(data) - len(again)
        why = (
            f"the document as it was made is in it whole, but {behind} bytes stand behind it (a signature, a "
            "comment or a change): look at the first revision in your reader, or get the file as it was made"
        )
        return Answer(pages="same, and more behind", why=why, record=found, options=options, behind=behind)
    why = "made again from the record, it came out differently: the pages are not those of this record"
    return Answer(pages="differ", why=why, record=found, options=options)


def _tell(answer: Answer, file: str) -> None:
    found = answer.record
    if found is None:
        say(f"{file}: this proves nothing: {answer.why}.")
        return
    record = "holds" if found.holds else "was not closed" if _is_open(found) else "does not hold"
    say(f"File     {file}")
    say(f"Record   {record}: {found.text}")
    say(f"Pages    {answer.pages}: {answer.why}.")
    if found.header is not None:
        say(f"Of       {found.header.lineup}, {found.header.site}")
    if found.holds:
        say(f"Code     {spoken(found.head)}")
        say(f"Key      {spoken(fingerprint(found.public)) if found.public else 'nobody signed this record'}")
        if not found.complete:
            say(f"         INCOMPLETE: {found.reason or 'no reason given'}")


def _document(answer: Answer, file: str) -> dict[str, Any]:
    found, options = answer.record, answer.options or {}
    return {
        "format": VERIFY_FORMAT,
        "file": file,
        "verifies": answer.code == Exit.DONE,
        "pages": answer.pages,
        "why": answer.why,
        "bytes_behind": answer.behind,
        "record_holds": None if found is None else found.holds,
        "record_damage": None if found is None else found.damage.value,
        "code": found.head if found is not None and found.holds else None,
        "sealed_by": fingerprint(found.public) if found is not None and found.public else None,
        "complete": None if found is None else found.complete,
        "made_by": {name: options.get(name) for name in ("tool_version", "tool_code", "typesetter")},
        "this": made_by(),
        "exit_code": int(answer.code),
    }
