"""Procedure: a functional test as people write it: steps, cautions, what must be seen and confirmed.

    format: buswitness-procedure/1
    name: open-local
    title: Open at the front
    for_each: trip-unit
    steps:
      - id: open
        title: Open the breaker at its front
        who: at the gear
        act: open
        do: Press OPEN at {tag} ({cubicle}).
        expect:
          - {id: opens, see: breaker, becomes: open, within: 5 min}
          - {of: master, see: any alarm, becomes: present, after: opens, within: 10 s}
        confirm:
          - {id: flag, ask: Does the flag at the breaker show OPEN?}

Objects are what was written, checked field by field; rules across fields are in ``procedure_load``.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from probe.model.acts import ACTS
from probe.model.map_words import Line, Strict
from probe.model.shape import refuse
from probe.model.signal_words import FORMS, Signal, signal_of

PROCEDURE_FORMAT = "buswitness-procedure/1"

_TEXT = r"^[^\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]*$"
Text = Annotated[
    str,
    StringConstraints(min_length=1, max_length=600, pattern=_TEXT),
    Field(json_schema_extra={"x-allowed": "text of at most 600 characters"}),
]
Id = Annotated[
    str,
    StringConstraints(pattern=r"^[a-z][a-z0-9_-]{0,39}$"),
    Field(json_schema_extra={"x-allowed": "1 to 40 small letters, digits, - and _, beginning with a letter"}),
]
Duration = Annotated[
    str,
    StringConstraints(pattern=r"^(\d{1,6}(\.\d{1,3})? ?(ms|s|min|h)|\{[a-z][a-z0-9_]*\})$"),
    Field(json_schema_extra={"x-allowed": "a number with ms, s, min or h, as 5 s; or {a parameter}"}),
]
#: What a procedure's steps are done for, one after the other.
EACH = ("trip-unit", "meter", "ups", "switch", "master", "gateway", "bus", "lineup")
#: Whose signal is looked at. self: the device of the step; others: all but it.
OF = ("self", "others", "all", "trip-unit", "meter", "ups", "switch", "master", "gateway")
_ACT_WORDS = tuple(ACTS)
ActWord = Literal[_ACT_WORDS]  # type: ignore[valid-type]  # the words stand in one place: acts
EachWord = Literal[EACH]  # type: ignore[valid-type]
OfWord = Literal[OF]  # type: ignore[valid-type]

_UNITS_S = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0}
_AMOUNT = re.compile(r"([0-9.]+) ?(ms|s|min|h)")


def seconds_of(text: str, parameters: dict[str, str] | None = None) -> float:
    """Seconds that a duration means. Raises KeyError for an unknown parameter, ValueError for no duration."""
    if text.startswith("{"):
        text = (parameters or {})[text[1:-1]]
    match = _AMOUNT.fullmatch(text.strip())
    if match is None:
        raise ValueError(text)
    return float(match[1]) * _UNITS_S[match[2]]


class Before(Strict):
    """How it must stand before anybody acts; otherwise the step does not begin."""

    of: OfWord = "self"
    see: Line
    is_: Annotated[tuple[Line, ...], Field(alias="is")]

    @property
    def signal(self) -> Signal:
        """What is looked at."""
        return _signal(self.see)

    @model_validator(mode="after")
    def _can_be(self) -> Before:
        _check_signal(self.see, self.is_)
        return self


class Expect(Strict):
    """One thing to be seen. Exactly one of becomes, remains, ends, rises, falls, above, below.

    becomes: it changes to that; remains: it never changes; ends: it stands so when the step is over.
    within: after the go, or after what ``after`` names. stays: for so long from then on. rises: by how many,
    or ``any``. spare: without it the step may pass all the same (the gear need not have it).
    """

    id: Id | None = None
    of: OfWord = "self"
    see: Line
    becomes: Line | None = None
    remains: Line | None = None
    ends: Line | None = None
    rises: Line | None = None
    falls: Literal["any"] | None = None
    above: float | None = None
    below: float | None = None
    within: Duration | None = None
    after: Id | None = None
    stays: Duration | None = None
    spare: bool = False

    @property
    def signal(self) -> Signal:
        """What is looked at."""
        return _signal(self.see)

    @property
    def way(self) -> str:
        """Which of them is asked for."""
        return next(name for name in WAYS if getattr(self, name) is not None)

    @model_validator(mode="after")
    def _one_way(self) -> Expect:
        told = [name for name in WAYS if getattr(self, name) is not None]
        if len(told) != 1:
            raise refuse(
                "it must be said what the signal does, once",
                allowed="one of becomes, remains, ends, rises, falls, above, below",
            )
        _check_signal(self.see, tuple(filter(None, (self.becomes, self.remains, self.ends))))
        if told[0] in ("rises", "falls", "above", "below") and not self.signal.is_number:
            raise refuse(f"{self.see} is no number", allowed="becomes or remains", at=(told[0],))
        if self.rises not in (None, "any") and not self.rises.isdecimal():
            raise refuse("a rise is a whole number, or any", allowed="any, or 1 and more", at=("rises",))
        if told[0] in ("remains", "ends") and (self.after or self.within or self.stays):
            raise refuse("what remains or ends so has no time of its own: the step has")
        return self


WAYS = ("becomes", "remains", "ends", "rises", "falls", "above", "below")


class Allow(Strict):
    """Changes that the step may bring along without being asked for. see: everything if left out."""

    of: OfWord = "self"
    see: Line | None = None

    @model_validator(mode="after")
    def _can_be(self) -> Allow:
        if self.see is not None:
            _check_signal(self.see, ())
        return self


class Confirm(Strict):
    """What a person sees, hears or reads.

    kind: ``yes`` (yes is right), ``no`` (no is right), ``text`` (noted), ``time`` (a clock time, compared
    with when the device's change of ``against`` was seen).
    """

    id: Id
    ask: Text
    kind: Literal["yes", "no", "text", "time"] = "yes"
    against: Id | None = None
    within: Duration | None = None

    @model_validator(mode="after")
    def _time_has_limit(self) -> Confirm:
        given = [field for field in (self.against, self.within) if field is not None]
        if len(given) != (2 if self.kind == "time" else 0):
            raise refuse(
                "a time is compared with what was seen; nothing else is",
                allowed="against and within with kind: time, and only there",
            )
        return self


class Step(Strict):
    """One thing that somebody does. who: where that person stands.

    log: ``event`` compares the device's own log with what was seen; ``whole`` reads it from end to end.
    """

    id: Id
    title: Line
    act: ActWord
    do: Text
    who: Line = "at the gear"
    cautions: tuple[Text, ...] = ()
    before: tuple[Before, ...] = ()
    expect: tuple[Expect, ...] = ()
    allow: tuple[Allow, ...] = ()
    confirm: tuple[Confirm, ...] = ()
    log: Literal["", "event", "whole"] = ""
    note: Line | None = None


class Parameter(Strict):
    """Something that a site decides. default: a duration or a text."""

    title: Line
    default: Line


ParameterName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,29}$")]


class Procedure(Strict):
    """A functional test. for_each: its steps are done for each of these, one after the other."""

    format: Literal["buswitness-procedure/1"]
    name: Id
    title: Line
    purpose: Text
    for_each: EachWord
    source: Line = "common practice, no source"
    parameters: dict[ParameterName, Parameter] = Field(default_factory=dict)
    cautions: tuple[Text, ...] = ()
    steps: tuple[Step, ...]


def _signal(text: str) -> Signal:
    found = signal_of(text.replace("{bus}", "BUS"))
    assert found is not None  # the validator has made sure
    return found if "{bus}" not in text else Signal("bus", "{bus}")


def _check_signal(text: str, values: tuple[str, ...]) -> None:
    found = signal_of(text.replace("{bus}", "BUS"))
    if found is None:
        raise refuse(f"{text} names nothing that could be seen", allowed=FORMS, at=("see",))
    wrong = [value for value in values if found.words and value not in found.words]
    if wrong:
        raise refuse(f"{wrong[0]} is no word for {text}", allowed=", ".join(found.words))
