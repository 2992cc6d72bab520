"""What a fuzz target is, and what all of them promise: an answer, or a refusal that names a place."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

from probe.model.errors import BuswitnessError, InputError, Problem, RecordError

T = TypeVar("T")
#: Makes another input of one: its bytes, and where the choices come from.
Mutate = Callable[[bytes, random.Random], bytes]


class BrokenPromiseError(AssertionError):
    """The code under test did what it must never do; the text says what."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One parser of outside bytes.

    promise: in words, for the table. run: raises what must not happen. seeds: inputs to begin with.
    mutate: knows the form of the input (None: bytes are bytes). words: pieces that mean something to the
    parser. longest: bytes of an input. share: of the time, beside the others. calls: in the test of CI.
    """

    name: str
    promise: str
    run: Callable[[bytes], object]
    seeds: Callable[[], Iterable[bytes]]
    mutate: Mutate | None = None
    words: tuple[bytes, ...] = ()
    longest: int = 4096
    share: float = 1.0
    calls: int = 200


def need(holds: object, what: str) -> None:
    """Raise BrokenPromiseError unless it holds."""
    if not holds:
        raise BrokenPromiseError(what)


def refused(work: Callable[[], T], name: str, text: bytes = b"") -> T | None:
    """What the work gives; None if it refused its input with an error that a person can use.

    name: of the input; every problem must name it, or another file. text: the input, to know its lines.
    """
    try:
        return work()
    except InputError as error:
        need(error.problems, "an InputError without a problem")
        for problem in error.problems:
            check_problem(problem, name, text)
    except RecordError as error:
        check_problem(error.problem, name, text)
    return None


def check_problem(problem: Problem, name: str, text: bytes = b"") -> None:
    """The problem says something, and its place is in the file."""
    need(problem.what.strip(), "a problem that does not say what is wrong")
    need(problem.file, f"a problem that names no file: {problem.what}")
    need(problem.line >= 0 and problem.column >= 0, f"a place before the file: {problem.place}")
    need(problem.severity in ("error", "warning"), f"severity {problem.severity!r}")
    need(str(problem).encode("utf-8", "replace"), "a problem that cannot be shown")
    if text and problem.file == name:
        need(problem.line <= _lines(text), f"line {problem.line} of {_lines(text)}: {problem.what}")


def _lines(text: bytes) -> int:
    """Most lines that the text can have for anybody (YAML breaks lines at more signs than others)."""
    breaks = (
        b"\n",
        b"\r",
        b"\xc2\x85",
        b"\xe2\x80\xa8",
        b"\xe2\x80\xa9",
        b"\x0b",
        b"\x0c",
        b"\x1c",
        b"\x1d",
        b"\x1e",
    )
    return sum(text.count(one) for one in breaks) + 2


def key_of(error: BaseException) -> str:
    """Name of a finding: the error and the deepest places of ours, so that one fault is counted once."""
    places, trace = [], error.__traceback__
    while trace is not None:
        code = trace.tb_frame.f_code
        if "/probe/" in code.co_filename.replace("\\", "/"):
            places.append(f"{code.co_filename.rsplit('/probe/', 1)[-1]}:{code.co_name}")
        trace = trace.tb_next
    said = str(error).split(":")[0][:40] if isinstance(error, BrokenPromiseError) else ""
    whole = f"{type(error).__name__} {said} {' '.join(places[-2:])}"
    return f"{type(error).__name__}-{hashlib.sha256(whole.encode()).hexdigest()[:8]}"


__all__ = [
    "BrokenPromiseError",
    "BuswitnessError",
    "Mutate",
    "Target",
    "check_problem",
    "key_of",
    "need",
    "refused",
]
