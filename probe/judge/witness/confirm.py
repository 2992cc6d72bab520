"""What a person saw, heard or read, held against what the step asks."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from probe.judge.limit import Interval, within
from probe.judge.witness.outcome import Outcome, Said
from probe.judge.zone import zone_offsets
from probe.model.evidence import OperatorAnswer
from probe.model.finding import Verdict
from probe.model.procedure import Confirm, seconds_of

CANNOT_TELL = "cannot tell"
_TIME = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(\.\d{1,6})?)?")
_DAY_S = 86_400
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Frame(NamedTuple):
    """What a time that a person reads is held against. zone: of the lineup. values: of the parameters."""

    outcomes: Sequence[Outcome]
    wall_s: Callable[[int], float | None]
    zone: str
    values: Mapping[str, str]


def judge_said(confirm: Confirm, ask: str, answer: OperatorAnswer | None, frame: Frame) -> Said:
    """What was said to one question of a step, and what it is worth."""
    said = "" if answer is None else answer.said
    if answer is None or not said:
        return Said(confirm=confirm, ask=ask, said="", verdict=Verdict.NOT_TESTED, why="was not answered")
    verdict, why = _worth(confirm, said, frame)
    return Said(confirm=confirm, ask=ask, said=said, verdict=verdict, why=why)


def _worth(confirm: Confirm, said: str, frame: Frame) -> tuple[Verdict, str]:
    if said == CANNOT_TELL:
        return Verdict.REVIEW, "the person could not tell"
    if confirm.kind == "text":
        return Verdict.PASS, "noted"
    if confirm.kind == "time":
        return _time_worth(confirm, said, frame)
    if said == confirm.kind:
        return Verdict.PASS, ""
    return Verdict.FAIL, f"{confirm.kind} is right"


def _time_worth(confirm: Confirm, said: str, frame: Frame) -> tuple[Verdict, str]:
    """A clock time that a person read, beside when the change was seen, as a difference within half a day."""
    match = _TIME.fullmatch(said.strip())
    seen = next((one for one in frame.outcomes if one.id == confirm.against and one.high_ns), None)
    if match is None:
        return Verdict.REVIEW, "this is no time of day, as 14:05:09"
    low_s, high_s = (None, None) if seen is None else (frame.wall_s(seen.low_ns), frame.wall_s(seen.high_ns))
    if low_s is None or high_s is None:
        return Verdict.NOT_TESTED, "the change that it is compared with was not seen"
    hours, minutes, seconds = int(match[1]), int(match[2]), float((match[3] or "0") + (match[4] or ""))
    step_s = 60.0 if match[3] is None else 1.0 if match[4] is None else 0.001
    shown_s = hours * 3600 + minutes * 60 + seconds
    low, high = (_of_day(at_s, frame.zone) for at_s in (low_s, high_s))
    off = Interval(_near(shown_s - high), _near(shown_s - low) + step_s)
    limit_s = seconds_of(confirm.within or "0 s", dict(frame.values))
    return within(off, -limit_s, limit_s), f"{off.low:+.1f} to {off.high:+.1f} s from what was seen"


def _of_day(at_s: float, zone: str) -> float:
    """Local seconds since midnight."""
    offsets = zone_offsets(zone, at_s)
    return (at_s + (offsets[0] if offsets else 0.0)) % _DAY_S


def _near(difference_s: float) -> float:
    """The same difference within half a day."""
    return (difference_s + _DAY_S / 2) % _DAY_S - _DAY_S / 2


def local_words(at_s: float, zone: str) -> str:
    """The instant as the lineup's local time of day, with seconds."""
    offsets = zone_offsets(zone, at_s)
    return (_EPOCH + timedelta(seconds=at_s + (offsets[0] if offsets else 0.0))).strftime("%H:%M:%S")
