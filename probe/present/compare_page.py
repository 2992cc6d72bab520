"""Compare page: what changed between two records, what did not, and how the two were told apart."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from probe.present.page import facts, paragraph
from probe.present.row import Piece, Row
from probe.record.compare import Change, Comparison
from probe.record.content import RecordContent
from probe.record.header import rfc3339
from probe.record.seal import spoken

FORMAT = "buswitness-record-compare/1"
_WORSE = {True: "worse", False: "better", None: "changed"}
#: What could not be compared, told one by one up to so many.
MOST_UNTOLD = 5

Pair = tuple[RecordContent, RecordContent]


def comparison(found: Comparison, contents: Pair, files: tuple[str, str], width: int) -> list[Row]:
    """The page as rows."""
    rows = facts([("Before", _named(files[0], contents[0])), ("After", _named(files[1], contents[1]))], width)
    if contents[0].header.lineup != contents[1].header.lineup:
        rows += paragraph("These are records of lineups with different names.", width, style="bold")
    rows += [Row(), *paragraph(_headline(found), width, style="bold")]
    for kind, group in groupby(sorted(found.changes, key=_order), key=lambda change: change.kind):
        rows += [Row(), Row([Piece(kind.capitalize(), "bold")])]
        for change in group:
            rows += _change_rows(change, width)
    return [*rows, Row(), *_rest(found, width)]


def document(found: Comparison, contents: Pair, files: tuple[str, str]) -> dict[str, Any]:
    """What ``record compare --json`` prints."""
    return {
        "format": FORMAT,
        "site": contents[1].header.site,
        "lineup": contents[1].header.lineup,
        "before": _side(files[0], contents[0]),
        "after": _side(files[1], contents[1]),
        "worse": found.is_worse,
        "level": found.level,
        "changes": [
            {
                "kind": change.kind,
                "subject": change.subject,
                "what": change.what,
                "before": change.before,
                "after": change.after,
                "worse": change.worse,
                "test": change.test or None,
            }
            for change in found.changes
        ],
        "same": dict(found.same),
        "not_compared": list(found.untold),
    }


def _side(file: str, content: RecordContent) -> dict[str, Any]:
    code = content.code if content.seal is not None else None
    return {"record": file, "code": code, "started": rfc3339(content.header.started_wall_ns)}


def _named(file: str, content: RecordContent) -> str:
    when = rfc3339(content.header.started_wall_ns)[:19] + "Z"
    code = spoken(content.code) if content.seal is not None else "not closed"
    return f"{file} ({when}, code {code})"


def _headline(found: Comparison) -> str:
    if not found.changes:
        return "Nothing changed that the noise does not explain."
    worse = sum(change.worse is True for change in found.changes)
    return f"{len(found.changes)} changes, {worse} of them for the worse or to be explained."


def _order(change: Change) -> tuple[str, bool, str]:
    return change.kind, change.worse is not True, change.subject


def _change_rows(change: Change, width: int) -> list[Row]:
    lead = [Piece(f"{_WORSE[change.worse]:<8}", "bold")]
    rows = paragraph(f"{change.subject}: {change.what}", width, lead=lead, indent=2)
    return rows + facts(
        [("was", change.before), ("is", change.after), ("test", change.test)], width, indent=10
    )


def _rest(found: Comparison, width: int) -> list[Row]:
    """What did not change, and what could not be compared."""
    same = ", ".join(f"{many} of {kind}" for kind, many in sorted(found.same.items()))
    pairs = [("Not changed", same)]
    pairs += [("Not compared" if n == 0 else "", text) for n, text in enumerate(found.untold[:MOST_UNTOLD])]
    if len(found.untold) > MOST_UNTOLD:
        pairs.append(("", f"and {len(found.untold) - MOST_UNTOLD} more (--json tells all)"))
    return facts(pairs, width)
