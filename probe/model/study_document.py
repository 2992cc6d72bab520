"""What people write in a study file: fields, words and the rules that one entry alone must keep.

format: buswitness-study/1
site: Tarn Hollow Water Works
lineup: MSB-1
title: Coordination study
reference: TH-CS-014
author: Protection engineering
revision: C
date: 2026-02-11
devices:
  - tag: 52-M1
    sensor: 2500 A
    plug: 2500 A
    normal:
      long_time: {pickup: 0.9 x plug, delay: 12 s at 6 x pickup, curve: i2t}
      instantaneous: {enabled: off}
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)

from probe.model.device_map import Line, Strict, Tag
from probe.model.protection import SHAPES
from probe.model.setting_text import (
    AMOUNT_FORMS,
    DELAY_FORMS,
    Amount,
    Delay,
    SettingTextError,
    parse_amount,
    parse_delay,
)
from probe.model.shape import BLANK, refuse

STUDY_FORMAT = "buswitness-study/1"
ShapeWord = Literal[SHAPES]  # type: ignore[valid-type]  # the words stand in one place: protection


def _amount(value: Any) -> Any:
    try:
        return parse_amount(value) if isinstance(value, str) else value
    except SettingTextError as error:
        raise refuse(error.what, allowed=error.allowed, remedy=error.remedy) from None


def _delay(value: Any) -> Any:
    try:
        return parse_delay(value) if isinstance(value, str) else value
    except SettingTextError as error:
        raise refuse(error.what, allowed=error.allowed, remedy=error.remedy) from None


def _in_amperes(amount: Amount) -> Amount:
    if amount.base:
        raise refuse("a rating is given in amperes", allowed="amperes, as 2500 A")
    return amount


_AMOUNT_SCHEMA = WithJsonSchema({"type": "string", "x-allowed": AMOUNT_FORMS})
Pickup = Annotated[Amount, BeforeValidator(_amount), _AMOUNT_SCHEMA]
Rating = Annotated[Amount, BeforeValidator(_amount), AfterValidator(_in_amperes), _AMOUNT_SCHEMA]
DelayText = Annotated[
    Delay, BeforeValidator(_delay), WithJsonSchema({"type": "string", "x-allowed": DELAY_FORMS})
]
Percent = Annotated[float, Field(ge=0, le=50)]
AlarmName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,59}$")]
_EMPTY: Any = Field(default_factory=dict)


class FunctionEntry(Strict):
    """One protection function. What is left out is not compared, and said so."""

    enabled: bool | None = None
    pickup: Pickup | None = None
    delay: DelayText | None = None
    curve: ShapeWord | None = None

    @model_validator(mode="after")
    def _says_something(self) -> FunctionEntry:
        if self.enabled is None and self.pickup is None and self.delay is None and self.curve is None:
            raise refuse("the function says nothing", remedy="give its pickup, or `enabled: off`")
        return self


class LongTimeEntry(FunctionEntry):
    """The long-time function, of whose pickup others are multiples."""

    @model_validator(mode="after")
    def _own_base(self) -> LongTimeEntry:
        if self.pickup is not None and self.pickup.base in ("pickup", "own"):
            what = "the long-time pickup cannot be a multiple of itself"
            raise refuse(what, allowed="amperes, x sensor or x plug", at=("pickup",))
        return self


class GroupEntry(Strict):
    """One group of settings. like: a group of this device whose functions count where none stands here."""

    like: Literal["normal", "alternate"] | None = None
    long_time: LongTimeEntry | None = None
    short_time: FunctionEntry | None = None
    instantaneous: FunctionEntry | None = None
    ground: FunctionEntry | None = None
    alarms: dict[AlarmName, Pickup] = _EMPTY


class StudyEntry(Strict):
    """One device."""

    tag: Tag
    sensor: Rating | None = None
    plug: Rating | None = None
    active: Literal["normal", "alternate", "maintenance"] | None = None
    network_writing: Literal["on", "off"] | None = None
    normal: GroupEntry | None = None
    alternate: GroupEntry | None = None
    maintenance: GroupEntry | None = None

    @model_validator(mode="after")
    def _has_settings(self) -> StudyEntry:
        if self.normal is None and self.alternate is None and self.maintenance is None:
            raise refuse("the device has no settings", remedy="add `normal:` with its functions")
        return self


class TolerancesEntry(Strict):
    """How far a found setting may stand from the study, percent."""

    pickup_percent: Percent | None = None
    delay_percent: Percent | None = None


def _filled_in(text: str) -> str:
    if text == BLANK:
        raise refuse("this is still to be filled in", allowed="as the study's own title page has it")
    return text


Told = Annotated[Line, AfterValidator(_filled_in)]


class StudyHead(Strict):
    """The file but for its devices."""

    format: Literal["buswitness-study/1"]
    site: Told
    lineup: Told
    reference: Told
    revision: Told
    date: Annotated[str, StringConstraints(pattern=r"^\d{4}-\d\d-\d\d$"), Field(examples=["2026-02-11"])]
    author: Told
    title: Line = "Coordination study"
    tolerances: TolerancesEntry = TolerancesEntry()


class StudyFile(StudyHead):
    """A whole file (for its JSON Schema)."""

    devices: Annotated[tuple[StudyEntry, ...], Field(min_length=1)]


#: What people write for our fields, and what is meant (for the "did you mean" of errors).
HINTS = {
    "name": "tag", "device": "tag", "ltpu": "long_time", "ltd": "long_time", "stpu": "short_time",
    "std": "short_time", "inst": "instantaneous", "gfpu": "ground", "gfd": "ground", "rev": "revision",
    "shape": "curve", "time": "delay", "pick_up": "pickup", "project": "reference",
}  # fmt: skip
