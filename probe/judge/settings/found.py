"""What a device shows of its settings: plain data, for comparison and curves (read by ``as_found``)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from probe.model.protection import FunctionSetting


class Seen(NamedTuple):
    """One value of the device: a number or a word, None with the reason; number of the evidence (0: none)."""

    value: float | str | None
    sequence: int = 0
    why: str = ""

    @property
    def number(self) -> float | None:
        """The value as a number, None if it is none."""
        return self.value if isinstance(self.value, float) else None

    @property
    def word(self) -> str:
        """The value as a word, "" if it is none."""
        return self.value if isinstance(self.value, str) else ""


#: A function's attributes: pickup, delay, curve, enabled.
Attributes = Mapping[str, Seen]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundGroup:
    """One group as found. seen: by function, what each attribute rests on; alarms: amperes."""

    functions: Mapping[str, FunctionSetting]
    seen: Mapping[str, Attributes]
    alarms: Mapping[str, Seen] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class AsFound:
    """All settings of a device as found. active, writing: None where the type does not tell."""

    groups: Mapping[str, FoundGroup]
    sensor: Seen
    plug: Seen
    active: Seen | None = None
    writing: Seen | None = None
