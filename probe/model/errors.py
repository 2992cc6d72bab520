"""The tree of errors, by whose fault it is.

    BuswitnessError
    ├── InputError    a map, profile, schedule or argument is wrong        exit 2
    ├── BusyError     another run works on the lineup                      exit 3
    └── RecordError   a record does not verify or cannot be read           exit 4

Everything else that escapes is a bug of ours (exit 70). A device's fault is never an exception: it is
evidence (see ``evidence.Outcome``).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class BuswitnessError(Exception):
    """Base of the errors that we raise on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong with an input, as facts; the sentence is made from them.

    file: name as the user gave it; line and column count from 1, 0 where there is none (an argument).
    field: dotted path such as ``devices[3].address.unit``, empty where the whole file is meant.
    """

    file: str
    what: str
    line: int = 0
    column: int = 0
    field: str = ""
    found: str = ""
    allowed: str = ""
    remedy: str = ""
    severity: str = "error"  # "error" stops the work; "warning" is lint that a person should read

    @property
    def place(self) -> str:
        """``file:line:column`` as editors understand it."""
        return f"{self.file}:{self.line}:{self.column}" if self.line else self.file

    def __str__(self) -> str:
        parts = [f"{self.place}: {self.severity}: {self.what}"]
        if self.field:
            parts.append(f"    field    {self.field}")
        if self.found:
            parts.append(f"    found    {self.found}")
        if self.allowed:
            parts.append(f"    allowed  {self.allowed}")
        if self.remedy:
            parts.append(f"    mend     {self.remedy}")
        return "\n".join(parts)


class InputError(BuswitnessError):
    """What the user gave cannot be used; carries every problem found, not only the first."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        if not self.problems:
            raise ValueError("an InputError needs at least one problem")
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(str(p) for p in self.problems)


class BusyError(BuswitnessError):
    """Another run works on the lineup; nothing was asked of it by this one."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem)

    def __str__(self) -> str:
        return str(self.problem)


class RecordError(BuswitnessError):
    """A record is damaged, foreign or not what it claims to be."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem)

    def __str__(self) -> str:
        return str(self.problem)
