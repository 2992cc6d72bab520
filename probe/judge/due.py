"""Which checks are due, asked once for all devices of a profile where the device itself decides nothing.

Whether a check applies mostly follows from profile, map and scope alone. That is found out by asking with a
device that tells on whoever looks at it; only what looked is asked again for each device. In a run over
thousands of devices nearly all the asking falls away.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple, NoReturn, cast

from probe.judge.check import DeviceCheck, Subject
from probe.model.device_map import Device

Ask = Callable[[Subject], bool]


class _Looked(BaseException):
    """Somebody looked at the device. Not an Exception, so that no check takes it for one of its own."""


class _Unseen:
    """Stands for any device of a profile."""

    def __getattr__(self, name: str) -> NoReturn:
        raise _Looked

    def __eq__(self, other: object) -> NoReturn:
        raise _Looked

    def __hash__(self) -> NoReturn:
        raise _Looked


_UNSEEN = cast("Device", _Unseen())


def for_all(ask: Ask, subject: Subject) -> bool | None:
    """The answer for every device of the subject's profile; None if it depends on the device."""
    try:
        return bool(ask(subject._replace(device=_UNSEEN)))
    except _Looked:
        return None


class Applies:
    """Which of the checks apply to the devices of one profile, in one run."""

    __slots__ = ("_checks", "_open", "_settled")

    def __init__(self, checks: Sequence[DeviceCheck], subject: Subject) -> None:
        """subject: any device of the profile."""
        settled = [for_all(check.applies, subject) for check in checks]
        self._settled = [bool(one) for one in settled]
        self._open = [(n, checks[n].applies) for n, one in enumerate(settled) if one is None]

    def to(self, subject: Subject) -> tuple[bool, ...]:
        """Whether each of the checks applies to the device, in their order."""
        applies = self._settled.copy()
        for number, ask in self._open:
            applies[number] = ask(subject)
        return tuple(applies)


class Due(NamedTuple):
    """A check that must give a verdict. required: None where the device decides."""

    id: str
    check: DeviceCheck
    required: bool | None


def due_of(check: DeviceCheck, subject: Subject) -> Due:
    """The check for all devices of the subject's profile to which it applies."""
    return Due(check.id, check, for_all(check.required, subject))
