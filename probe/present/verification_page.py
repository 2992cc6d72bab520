"""Verification page: each question about a record answered by itself, in a word and a reason.

Says also what a chain of hashes does not prove: people rely on such lines.
"""

from __future__ import annotations

from probe.present.page import facts, paragraph
from probe.present.row import Piece, Row
from probe.record.damage import Damage
from probe.record.verify import Verification

PROVES = (
    "What this proves: no line of this file was changed, removed, put in or moved since the code above was "
    "noted down. Compare the code with the one on paper, group by group."
)
PROVES_NOT = (
    "What it does not prove: who wrote the record, when, and that the computer's clock was right. Without a "
    "code noted elsewhere, somebody could have written the whole file anew. This version does not sign."
)


def verification(found: Verification, width: int, file: str) -> list[Row]:
    """The answers as rows."""
    header = found.header
    title = "The record verifies." if found.holds else f"The record does not verify: {found.damage.value}."
    rows = [
        *paragraph(title, width, style="bold green" if found.holds else "bold red"),
        *paragraph(found.text, width, indent=2),
        Row(),
        *facts(
            [
                ("File", file),
                ("Of", f"{header.lineup}, {header.site}" if header is not None else ""),
                ("Written by", f"buswitness {header.tool_version}" if header is not None else ""),
            ],
            width,
        ),
        Row(),
    ]
    for question, (word, reason) in _answers(found).items():
        lead = [Piece(f"{question:<28}", "dim"), Piece(f"{word:<12}", "bold")]
        rows += paragraph(reason, width, lead=lead)
    return [*rows, *_code(found, width)]


def _answers(found: Verification) -> dict[str, tuple[str, str]]:
    """Question to a word and a reason."""
    bad = found.first_bad_line
    return {
        "Is it whole?": (_word(found.whole), f"{found.count} good lines"),
        "Is it unchanged?": (_word(found.unchanged), "up to where it ends" if _is_prefix(found) else ""),
        "First bad line": (str(bad), f"({found.damage.value})") if bad is not None else ("none", ""),
        "Is it closed by a seal?": (_word(found.closed), ""),
        "Did the run complete?": (_word(found.complete), found.reason),
        "Who signed it?": ("nobody", "this version does not sign"),
        "Is the signer's key known?": ("not tested", "there is no signature"),
        "Can its times be true?": _times(found),
    }


def _is_prefix(found: Verification) -> bool:
    return found.damage in (Damage.CUT, Damage.NOT_CLOSED)


def _times(found: Verification) -> tuple[str, str]:
    if found.times_doubt:
        return "no", found.times_doubt
    return ("yes", "") if found.header is not None else ("not tested", "")


def _word(answer: bool | None) -> str:
    """Yes or no; "not tested" where it cannot be told."""
    return "not tested" if answer is None else "yes" if answer else "no"


def _code(found: Verification, width: int) -> list[Row]:
    """The code of a closed record, to be read aloud and compared; or what an open one is still good for."""
    if found.holds:
        pairs = [("Code", found.short), ("in full", found.head)]
        return [Row(), *facts(pairs, width), Row(), *paragraph(PROVES, width), *paragraph(PROVES_NOT, width)]
    if _is_prefix(found):
        text = (
            f"Lines 1 to {found.count} follow from each other and can be read; nothing before the end was "
            "changed, but the very last line is proved by none behind it. What was cut off is unknown."
        )
        return [Row(), *paragraph(text, width)]
    return [Row(), *paragraph("Do not rely on this file. Get the original.", width)]
