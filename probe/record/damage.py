"""Damage: what has happened to a record that does not hold, and at which line.

The chain shows *that* something is wrong at the first line that does not follow; the lines behind it show
what. This is a diagnosis, not a proof: who rewrites all following lines can make one damage look like
another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import IO

from probe.record.line import LONGEST_LINE
from probe.record.packed import trouble_of
from probe.record.reader import BYTE_ORDER_MARK, NotALineError, ReadLine, Stop, Walk, parse, raw_lines


class Damage(StrEnum):
    """What is wrong with a record."""

    NONE = "none"
    NOT_CLOSED = "not closed"  # whole lines, no seal: the run was killed, or lines were cut off behind
    CUT = "cut"  # the file ends within a line
    CHANGED = "changed"
    REMOVED = "removed"
    INSERTED = "inserted"
    SWAPPED = "swapped"
    LINE_ENDS = "line ends changed"
    BYTE_ORDER_MARK = "byte-order mark added"
    FOREIGN_TAIL = "foreign tail"
    FOREIGN_CONTENT = "foreign content"  # the chain holds, but a line is not what its kind needs
    NEWER_FORMAT = "newer format"
    NOT_A_RECORD = "not a record"
    PACKING = "damaged packing"  # a compressed copy that cannot be unpacked to its end


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What is wrong, at which line (0: at none), and a sentence that says it."""

    damage: Damage
    line: int
    text: str


def diagnose(file: IO[bytes], walk: Walk) -> Diagnosis:
    """What stopped the walk. file: where the walk left it, behind the line at which it stopped."""
    if trouble_of(file):
        return broken_packing(file, walk)
    stop = walk.stop
    if stop is None:
        raise ValueError("the walk reached the end: there is nothing to diagnose")
    if walk.seal is not None:
        return Diagnosis(
            damage=Damage.FOREIGN_TAIL,
            line=stop.number,
            text="The record ends with its seal; what stands behind it does not belong to it.",
        )
    following = _readable(file)
    if stop.line is None:
        return _no_line(stop, walk, following)
    if not stop.raw.ended:
        return _cut(stop.number)
    return _out_of_place(stop.line, stop, walk, following)


def broken_packing(file: IO[bytes], walk: Walk) -> Diagnosis:
    """What is to be said of a compressed copy that cannot be unpacked to its end."""
    text = f"The compressed copy is damaged: it can be unpacked up to line {walk.count} ({trouble_of(file)})."
    return Diagnosis(damage=Damage.PACKING, line=walk.count + 1, text=text)


def misread(file: IO[bytes], line: ReadLine, error: Exception) -> Diagnosis:
    """What is wrong with a line that follows from the one before but is not what its kind needs.

    file: behind that line. If the next line does not follow from it, it was changed; if it does, the
    record was made so.
    """
    name = error.args[0] if isinstance(error, KeyError) else error
    why = f"it is no proper {line.kind} line ({name})"
    after = next(_readable(file), None)
    if after is not None and after.previous != line.digest:
        return _changed(line.sequence, why)
    text = f"Line {line.sequence} follows from the one before, but {why}."
    return Diagnosis(damage=Damage.FOREIGN_CONTENT, line=line.sequence, text=text)


def _no_line(stop: Stop, walk: Walk, following: Iterator[ReadLine | None]) -> Diagnosis:
    """What is wrong with bytes that are no line at all."""
    data, number = stop.raw.data, stop.number
    if number == 1 and data.startswith(BYTE_ORDER_MARK):
        return Diagnosis(
            damage=Damage.BYTE_ORDER_MARK, line=1, text="A byte-order mark was put before the first line."
        )
    if data.endswith(b"\r") and _is_line(data[:-1]):
        return Diagnosis(
            damage=Damage.LINE_ENDS,
            line=number,
            text="The line ends were changed to carriage return, line feed.",
        )
    if number == 1 and not data.startswith(b'{"body":{"command":'):
        return _no_record(data)
    if not stop.raw.ended and not _is_line(data[:-1]):
        return _cut(number)
    if (after := next(following, None)) is not None and _follows(after, walk):
        return _inserted(number)
    return _changed(number, stop.why)


def _no_record(data: bytes) -> Diagnosis:
    """The first line is nothing that we ever write."""
    if not data:
        text = "The first line is empty."
    elif data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = "The file is UTF-16 text; a record is UTF-8. It was saved again by another program."
    elif len(data) > LONGEST_LINE:
        text = f"The first line is longer than {LONGEST_LINE} bytes; no line of a record is."
    elif b"\0" in data:
        text = "The file holds binary data."
    else:
        text = "The first line is not that of a record."
    return Diagnosis(damage=Damage.NOT_A_RECORD, line=1, text=text)


def _out_of_place(line: ReadLine, stop: Stop, walk: Walk, following: Iterator[ReadLine | None]) -> Diagnosis:
    """What is wrong around a proper line that does not follow from the one before."""
    number, after = stop.number, next(following, None)
    if line.sequence == number and line.previous == walk.head:
        return _changed(number, stop.why)  # a seal or a head that does not fit
    if line.sequence == number:
        return _broken_link(line, number, after)
    if after is not None and _follows(after, walk):
        return _early(line, after, number, next(following, None))
    if line.previous == walk.head:
        return _changed(number, stop.why)
    if line.sequence == number - 1 and line.previous == walk.before:
        # Two lines want the same place; the genuine one is that which the next line follows.
        return _inserted(number - 1 if after is not None and after.previous == line.digest else number)
    if line.sequence > number:
        return _gap(line, number, walk, following)
    return _inserted(number)


def _early(line: ReadLine, right: ReadLine, number: int, behind: ReadLine | None) -> Diagnosis:
    """The right line comes next. The one before it changed places with it, or was put in."""
    changed_places = line.sequence == number + 1 and line.previous == right.digest
    if changed_places and not (behind is not None and behind.digest == line.digest):
        return _swapped(number, number + 1)
    return _inserted(number)


def _broken_link(line: ReadLine, number: int, after: ReadLine | None) -> Diagnosis:
    """The right number but the wrong ``prev``: this line was changed, or the one before it."""
    intact = after is not None and after.previous == line.digest
    if number == 1 or (after is not None and not intact and after.sequence == number + 1):
        return _changed(number, "its link to the line before does not hold")
    if intact or line.kind == "seal":
        return _changed(number - 1, "the line behind it was written for other contents")
    return Diagnosis(
        damage=Damage.CHANGED,
        line=number - 1,
        text=f"Line {number - 1} or line {number} was changed: they do not fit together.",
    )


def _gap(line: ReadLine, number: int, walk: Walk, following: Iterator[ReadLine | None]) -> Diagnosis:
    """A later line stands here: the right one was moved behind it, or is gone."""
    for distance, later in enumerate(following, start=2):
        if later is not None and _follows(later, walk):
            return _swapped(number, number + distance)
    last = line.sequence - 1
    which = f"Line {number} is" if last == number else f"Lines {number} to {last} are"
    return Diagnosis(damage=Damage.REMOVED, line=number, text=f"{which} missing.")


def _follows(line: ReadLine, walk: Walk) -> bool:
    return line.sequence == walk.count + 1 and line.previous == walk.head


def _readable(file: IO[bytes]) -> Iterator[ReadLine | None]:
    """The remaining lines of the file; None for what is no line."""
    for raw in raw_lines(file):
        try:
            yield parse(raw.data)
        except NotALineError:
            yield None


def _is_line(data: bytes) -> bool:
    try:
        parse(data)
    except NotALineError:
        return False
    return True


def _cut(number: int) -> Diagnosis:
    return Diagnosis(
        damage=Damage.CUT,
        line=number,
        text=f"The file ends within line {number}: the run was killed there, or the end was cut off.",
    )


def _changed(number: int, why: str) -> Diagnosis:
    return Diagnosis(damage=Damage.CHANGED, line=number, text=f"Line {number} was changed: {why}.")


def _inserted(number: int) -> Diagnosis:
    return Diagnosis(
        damage=Damage.INSERTED, line=number, text=f"Line {number} was put in: it does not belong there."
    )


def _swapped(first: int, second: int) -> Diagnosis:
    return Diagnosis(
        damage=Damage.SWAPPED,
        line=first,
        text=f"Lines were put in another order: what belongs at line {first} stands at line {second}.",
    )
