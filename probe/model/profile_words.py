"""Parts of what people write in a profile that several of its sections share."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

PointName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,59}$")]


def whole(value: Any) -> Any:
    """Text such as 0x1F or 31 as a number; all else is left to pydantic."""
    if isinstance(value, str) and value.lower().startswith("0x"):
        try:
            return int(value, 16)
        except ValueError:
            return value
    return value


def listed(value: Any) -> Any:
    """A single value where a list may stand."""
    return [value] if isinstance(value, str | int) else value


def or_one(word: dict[str, Any], **more: Any) -> WithJsonSchema:
    """Schema of a list that may be written as its single entry."""
    return WithJsonSchema({"anyOf": [{"type": "array", "items": word, **more}, word]})


# Written as a number or in hexadecimal; an editor that reads YAML sees an integer either way.
Whole = Annotated[int, BeforeValidator(whole), Field(ge=0, lt=1 << 64)]
_WHOLE = {"type": "integer", "minimum": 0}
Raws = Annotated[tuple[Whole, ...], BeforeValidator(listed), Field(min_length=1), or_one(_WHOLE, minItems=1)]
