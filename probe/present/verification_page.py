"""Verification page: each question about a record answered by itself, in a word and a reason.

Says also what a chain of hashes does not prove: people rely on such lines.
"""

from __future__ import annotations

from probe.present.page import facts, paragraph
from probe.present.row import Piece, Row
from probe.record.damage import Damage
from probe.record.proof import Proof
from probe.record.seal import spoken
from probe.record.signing import fingerprint
from probe.record.trust import Standing
from probe.record.verify import Verification

PROVES = (
    "What this proves: no line of this file was changed, removed, put in or moved since the code above was "
    "noted down. Compare the code with the one on paper, group by group."
)
PROVES_SIGNED = (
    "What this proves: no line of this file was changed, removed, put in or moved since the holder of the "
    "key above sealed it. Whose key it is, people say: read its fingerprint to each other, group by group."
)
PROVES_NOT = (
    "What it does not prove: who wrote the record, when, and that the computer's clock was right. Without a "
    "code noted elsewhere, somebody could have written the whole file anew, for nobody signed it."
)
PROVES_NOT_SIGNED = (
    "What it does not prove: that the computer's clock was right, nor, without a time stamp, when the record "
    "was sealed; and not that what the devices said was true."
)


def verification(proof: Proof, width: int, file: str) -> list[Row]:
    """The answers as rows."""
    found = proof.found
    header = found.header
    title = "The record verifies." if proof.holds else f"The record does not verify: {_wrong(proof)}."
    rows = [
        *paragraph(title, width, style="bold green" if proof.holds else "bold red"),
        *paragraph(found.text, width, indent=2),
        *(row for why in proof.why_not for row in paragraph(f"But {why}.", width, indent=2, style="bold")),
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
    for question, (word, reason) in _answers(proof).items():
        lead = [Piece(f"{question:<28}", "dim"), Piece(f"{word:<12}", "bold")]
        rows += paragraph(reason, width, lead=lead)
    return [*rows, *_code(proof, width)]


def _wrong(proof: Proof) -> str:
    """In a few words what keeps it from verifying."""
    if not proof.found.holds:
        return proof.found.damage.value
    if proof.signatory.standing in (Standing.UNKNOWN, Standing.REVOKED):
        return f"key {proof.signatory.standing.value}"
    return "not signed" if proof.signatory.standing is Standing.NO_SIGNATURE else "time stamp"


def _answers(proof: Proof) -> dict[str, tuple[str, str]]:
    """Question to a word and a reason."""
    found = proof.found
    bad = found.first_bad_line
    return {
        "Is it whole?": (_word(found.whole), f"{found.count} good lines"),
        "Is it unchanged?": (_word(found.unchanged), "up to where it ends" if _is_prefix(found) else ""),
        "First bad line": (str(bad), f"({found.damage.value})") if bad is not None else ("none", ""),
        "Is it closed by a seal?": (_word(found.closed), ""),
        "Did the run complete?": (_word(found.complete), found.reason),
        "Who signed it?": _signed(proof),
        "Is the signer's key known?": (_word(proof.signatory.standing.is_known), _known(proof)),
        "Can its times be true?": _times(found),
        "Is there a time stamp?": _stamped(proof),
    }


def _signed(proof: Proof) -> tuple[str, str]:
    public = proof.found.public
    if not public:
        return "nobody", "" if proof.found.closed else "the record is not closed"
    return "key", spoken(fingerprint(public))


def _known(proof: Proof) -> str:
    beside = "" if proof.asked_trust or proof.trust_file is None else " (trust file beside the record)"
    return proof.signatory.text + beside


def _stamped(proof: Proof) -> tuple[str, str]:
    stamp = proof.stamp
    if stamp is None:
        return "no", ""
    return ("yes" if stamp.proved else "no" if not stamp.holds else "not tested"), stamp.text


def _is_prefix(found: Verification) -> bool:
    return found.damage in (Damage.CUT, Damage.NOT_CLOSED)


def _times(found: Verification) -> tuple[str, str]:
    if found.times_doubt:
        return "no", found.times_doubt
    return ("yes", "") if found.header is not None else ("not tested", "")


def _word(answer: bool | None) -> str:
    """Yes or no; "not tested" where it cannot be told."""
    return "not tested" if answer is None else "yes" if answer else "no"


def _code(proof: Proof, width: int) -> list[Row]:
    """The code of a closed record, to be read aloud and compared; or what an open one is still good for."""
    found = proof.found
    if proof.holds:
        pairs = [("Code", found.short), ("in full", found.head)]
        if found.public:
            printed = fingerprint(found.public)
            pairs += [("Key", spoken(printed)), ("in full", printed)]
        proves, not_proves = (PROVES_SIGNED, PROVES_NOT_SIGNED) if found.public else (PROVES, PROVES_NOT)
        return [Row(), *facts(pairs, width), Row(), *paragraph(proves, width), *paragraph(not_proves, width)]
    if found.holds:
        return [
            Row(),
            *paragraph("The file is as it was written, but that is not all that was asked.", width),
        ]
    if _is_prefix(found):
        text = (
            f"Lines 1 to {found.count} follow from each other and can be read; nothing before the end was "
            "changed, but the very last line is proved by none behind it. What was cut off is unknown."
        )
        return [Row(), *paragraph(text, width)]
    return [Row(), *paragraph("Do not rely on this file. Get the original.", width)]
