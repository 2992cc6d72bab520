"""Words of a device map: the sorts of values that its fields hold, and the base of all that people write."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

# Nothing that moves a cursor or turns the direction of reading: C0, C1, DEL, Unicode's own line ends and
# direction marks.
_NO_CONTROLS = r"^[^\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]*$"

Tag = Annotated[
    str,
    StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._/+-]{0,39}$"),
    Field(
        json_schema_extra={
            "x-allowed": "1 to 40 letters, digits and . _ / + - (no spaces), beginning with a letter or digit"
        }
    ),
]
Line = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200, pattern=_NO_CONTROLS),
    Field(json_schema_extra={"x-allowed": "one line of text, at most 200 characters"}),
]
HostName = Annotated[
    str,
    StringConstraints(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9.:_-]+$"),
    Field(json_schema_extra={"x-allowed": "an IP address such as 10.20.1.11, or a host name"}),
]
Amperes = Annotated[float, Field(gt=0)]
Volts = Annotated[float, Field(gt=0)]
FaultCurrent = Annotated[float, Field(gt=0, le=400)]


class Strict(BaseModel):
    """Base of all that people write: unknown keys are errors, objects do not change."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
