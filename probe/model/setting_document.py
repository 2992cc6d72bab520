"""What people write under ``settings:`` of a profile: where a type of device holds its protective settings.

    settings:
      sensor: sensor_rating
      plug: plug_rating
      active: {point: active_group, means: {normal: 0, alternate: 1}}
      groups:
        normal:
          title: Group A
          long_time:
            pickup: {point: group_a_ltpu, step: 1, tolerance_percent: [-5, 10]}
            delay: {point: group_a_ltd, at: 6 x pickup, step: 0.5, tolerance_percent: [-20, 0]}
            curve: i2t
            clearing_s: [0, 0.05]

Nothing of a curve is guessed: a function without tolerances or clearing time has no drawn band.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from probe.model.device_map import Line, Strict
from probe.model.profile_words import PointName, Raws, Whole
from probe.model.protection import SHAPES
from probe.model.shape import refuse

ShapeWord = Literal[SHAPES]  # type: ignore[valid-type]  # the words stand in one place: protection
Pair = tuple[float, float]
_MULTIPLE = r"^\d+(?:\.\d+)? x (?:sensor|plug|pickup|own)$"
At = Annotated[
    str,
    StringConstraints(pattern=_MULTIPLE),
    Field(
        json_schema_extra={"x-allowed": "a multiple with its base (sensor, plug, pickup, own), as 6 x pickup"}
    ),
]


class ChoiceDocument(Strict):
    """A word from a point: raw values (under a mask) that mean each word."""

    point: PointName
    means: dict[str, Raws]
    mask: Whole = 0


class LevelDocument(Strict):
    """A pickup. unit: x sensor, x plug or x pickup where the point shows multiples; else it shows amperes."""

    point: PointName
    unit: Literal["A", "x sensor", "x plug", "x pickup"] = "A"
    step: Annotated[float, Field(gt=0)] | None = None
    range: Pair | None = None
    off: tuple[float, ...] = ()
    tolerance_percent: Pair | None = None


class TimingDocument(Strict):
    """A delay, in seconds (or the multiplier of an inverse curve)."""

    point: PointName
    at: At | None = None
    flat_beyond: bool = False
    step: Annotated[float, Field(gt=0)] | None = None
    range: Pair | None = None
    tolerance_percent: Pair | None = None
    tolerance_s: Pair | None = None


class FunctionDocument(Strict):
    """One protection function."""

    pickup: LevelDocument
    delay: TimingDocument | None = None
    curve: ShapeWord | ChoiceDocument | None = None
    enabled: ChoiceDocument | None = None
    clearing_s: Pair | None = None


class GroupDocument(Strict):
    """One group. based_on: a group whose functions count where this one holds none of its own."""

    title: Line | None = None
    based_on: Literal["normal", "alternate"] | None = None
    long_time: FunctionDocument | None = None
    short_time: FunctionDocument | None = None
    instantaneous: FunctionDocument | None = None
    ground: FunctionDocument | None = None
    alarms: dict[PointName, LevelDocument] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _holds_something(self) -> GroupDocument:
        own = (self.long_time, self.short_time, self.instantaneous, self.ground)
        if not any(own) and not self.alarms:
            raise refuse("a group needs at least one function or alarm of its own")
        return self


class SettingsDocument(Strict):
    """The whole section."""

    groups: dict[Literal["normal", "alternate", "maintenance"], GroupDocument]
    sensor: PointName | None = None
    plug: PointName | None = None
    active: ChoiceDocument | None = None
    writing: ChoiceDocument | None = None
