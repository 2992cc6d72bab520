"""Signals: what a witness step looks at, written as ``breaker``, ``bus A``, ``alarm trip_remote``, ``clock``.

breaker, position, maintenance   a state of the profile
bus NAME                         its flag of that communication bus: ok, fault
answers                          whether the device answers: yes, no
alarm NAME                       one alarm or trip of the profile: present, absent
any trip, any alarm              whether any of that severity is present
point NAME                       the value of a point: its words, or a number
pickup FUNCTION                  the pickup in force now, of the group that is active, amperes
clock                            right or wrong, beside this computer's clock
"""

from __future__ import annotations

from typing import NamedTuple

from probe.model.protection import FUNCTIONS

STATES = {
    "breaker": ("open", "closed", "tripped"),
    "position": ("connected", "test", "withdrawn"),
    "maintenance": ("off", "on"),
}
PRESENT, ABSENT, YES, NO, RIGHT, WRONG = "present", "absent", "yes", "no", "right", "wrong"
FORMS = (
    "breaker, position, maintenance, bus NAME, answers, alarm NAME, any trip, any alarm, point NAME, "
    "pickup FUNCTION, clock"
)


class Signal(NamedTuple):
    """kind: state, bus, answers, alarm, any, point, pickup or clock; name: which one of them."""

    kind: str
    name: str = ""

    @property
    def words(self) -> tuple[str, ...]:
        """The values that it can take; empty where they depend on the profile or are numbers."""
        fixed = {
            "bus": ("ok", "fault"),
            "answers": (YES, NO),
            "alarm": (PRESENT, ABSENT),
            "any": (PRESENT, ABSENT),
            "clock": (RIGHT, WRONG),
        }
        return STATES.get(self.name, ()) if self.kind == "state" else fixed.get(self.kind, ())

    @property
    def is_number(self) -> bool:
        """True where it may be compared by size."""
        return self.kind in ("point", "pickup")

    def __str__(self) -> str:
        if self.kind == "state":
            return self.name
        return f"{self.kind} {self.name}".strip()

    @property
    def title(self) -> str:
        """As people say it."""
        if self.kind == "answers":
            return "answers on the network"
        if self.kind == "pickup":
            return f"{self.name.replace('_', '-')} pickup in force"
        if self.kind in ("alarm", "point"):
            return self.name.replace("_", " ")
        return str(self)


def signal_of(text: str) -> Signal | None:
    """The signal that the text names; None if it is none (see ``FORMS``)."""
    kind, _, name = text.strip().partition(" ")
    name = name.strip()
    if not name:
        if kind in STATES:
            return Signal("state", kind)
        return Signal(kind) if kind in ("answers", "clock") else None
    if kind == "any":
        return Signal(kind, name) if name in ("trip", "alarm") else None
    if kind == "pickup":
        return Signal(kind, name) if name in FUNCTIONS else None
    return Signal(kind, name) if kind in ("bus", "alarm", "point") and " " not in name else None
