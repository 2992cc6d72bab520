"""Verify: does a record hold? Each question is answered by itself.

What the chain of hashes proves: no line was changed, removed, put in or moved *without all following lines
being made anew*. What it does not prove: who wrote the record, when, or that it was not written anew as a
whole; for that the code of the seal must have been noted elsewhere. A signature proves that the holder of a
key sealed just this record; whose key it is, a trust file says (``trust``), and when, a time stamp.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from probe.record.body import cause_from, evidence_from, expectations_from, finding_from
from probe.record.damage import Damage, Diagnosis, broken_packing, diagnose, misread
from probe.record.embedded import EMBEDDED, Inner
from probe.record.header import FORMAT, Header, header_from
from probe.record.history import acceptance_from, history_from
from probe.record.line import LONGEST_LINE
from probe.record.packed import trouble_of
from probe.record.reader import NotALineError, ReadLine, Walk, json_of, open_record
from probe.record.seal import Seal, spoken
from probe.record.times import Times


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found out about a record file.

    whole: from the first line to a seal, nothing missing. unchanged: every line that is there is as it was
    written (None: cannot be told). first_bad_line: None where there is none. complete: what the seal says of
    the run (None without a seal). public: the key whose signature on the seal holds, empty for none.
    count, head: number and hash of the last good line. times_doubt: "" if all times can be true.
    finished_wall_ns: wall time of the last anchor, 0 without one.
    """

    whole: bool
    unchanged: bool | None
    first_bad_line: int | None
    damage: Damage
    text: str
    closed: bool
    complete: bool | None
    reason: str
    count: int
    head: str
    times_doubt: str
    header: Header | None = None
    public: str = ""
    finished_wall_ns: int = 0

    @property
    def holds(self) -> bool:
        """True if the record verifies (exit code 0, else 4)."""
        return self.whole and self.unchanged is True

    @property
    def short(self) -> str:
        """The record's code, short, for two people who read it to each other."""
        return spoken(self.head)


def verify(path: Path) -> Verification:
    """What the file is worth. Reads it once, in constant memory.

    Raises InputError if there is no readable file at all; all else is an answer.
    """
    with open_record(path) as file:
        early = _other_format(file)
        if early is not None:
            return _verdict(early, None, Walk(file), Times())
        file.seek(0)
        return _check(file)


def _check(file: IO[bytes]) -> Verification:
    walk, times, inner = Walk(file), Times(), Inner()
    header: Header | None = None
    for line in walk:
        try:
            header = _understand(line, times, inner) or header
        except (KeyError, TypeError, ValueError) as error:
            return _verdict(misread(file, line, error), header, walk, times)
    found = _at_end(file, walk) if walk.stop is None else diagnose(file, walk)
    if found.damage in (Damage.LINE_ENDS, Damage.BYTE_ORDER_MARK):
        found = _only_that(file, found)
    return _verdict(found, header, walk, times)


def _understand(line: ReadLine, times: Times, inner: Inner) -> Header | None:
    """Build what the line holds, to see that it can be built; the header if it is the first line."""
    if line.kind == "head":
        header = header_from(line.body)
        inner.begin(header)
        return header
    if line.kind == EMBEDDED:
        inner.take(line)
    elif line.kind == "seal":
        inner.end()
    evidence = evidence_from(line.kind, line.body)
    if evidence is not None:
        times.see(evidence, line.sequence)
    elif line.kind in _BUILDERS:
        _BUILDERS[line.kind](line.body)
    return None


_BUILDERS: dict[str, Any] = {  # Any: the builders differ in what they return
    "acceptance": acceptance_from,
    "expected": expectations_from,
    "history": history_from,
    "finding": finding_from,
    "cause": cause_from,
}


def _at_end(file: IO[bytes], walk: Walk) -> Diagnosis:
    """The file's end was reached: by a seal, or without one."""
    if trouble_of(file):
        return broken_packing(file, walk)
    if walk.count == 0:
        return Diagnosis(damage=Damage.NOT_A_RECORD, line=0, text="The file is empty.")
    if walk.seal is None:
        text = (
            f"The record is not closed: it ends after line {walk.count} without a seal. The run was killed, "
            "or whole lines were cut off behind; the file alone cannot tell which."
        )
        return Diagnosis(damage=Damage.NOT_CLOSED, line=0, text=text)
    return Diagnosis(damage=Damage.NONE, line=0, text="Every line is as it was written.")


def _verdict(found: Diagnosis, header: Header | None, walk: Walk, times: Times) -> Verification:
    seal: Seal | None = walk.seal
    untold = found.damage in (Damage.NEWER_FORMAT, Damage.NOT_A_RECORD)
    unharmed = found.damage in (Damage.NONE, Damage.NOT_CLOSED, Damage.CUT, Damage.PACKING)
    return Verification(
        whole=found.damage is Damage.NONE,
        unchanged=None if untold else unharmed,
        first_bad_line=found.line or None,
        damage=found.damage,
        text=found.text,
        closed=seal is not None,
        complete=None if seal is None else seal.complete,
        reason="" if seal is None else seal.reason,
        count=walk.count,
        head=walk.head,
        times_doubt=times.doubt,
        header=header,
        public="" if seal is None else seal.public,
        finished_wall_ns=times.finished_wall_ns,
    )


def _only_that(file: IO[bytes], found: Diagnosis) -> Diagnosis:
    """Whether the record would hold if its line ends and byte-order mark were put right."""
    file.seek(0)
    walk = Walk(file, mended=True)
    for _ in walk:
        pass
    if walk.stop is None and walk.seal is not None:
        more = "Nothing else differs, but a record counts only as it was written: get the original file."
    else:
        more = "That is not all that differs."
    return Diagnosis(damage=found.damage, line=found.line, text=f"{found.text} {more}")


def _other_format(file: IO[bytes]) -> Diagnosis | None:
    """What to say of a file whose first line names another format than ours; None if it does not."""
    try:
        name = json_of(file.readline(LONGEST_LINE + 1))["body"]["format"]
    except (NotALineError, KeyError, TypeError, IndexError):
        return None
    if name == FORMAT or not isinstance(name, str):
        return None
    if not name.startswith("buswitness-record/"):
        return Diagnosis(damage=Damage.NOT_A_RECORD, line=1, text="The file says that it is something else.")
    text = (
        f"The record's format is {name[:60]!a}, this version reads {FORMAT}. Use a newer version of the tool."
    )
    return Diagnosis(damage=Damage.NEWER_FORMAT, line=1, text=text)
