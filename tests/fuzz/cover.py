"""Chooses the inputs that are worth keeping: short ones first, each that reaches steps none before did."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterable
from types import FrameType
from typing import Any

from tests.fuzz.target import Target

_OURS = "/probe/"


def worth_keeping(target: Target, inputs: Iterable[bytes], most: int) -> list[bytes]:
    """At most so many inputs that together reach as many steps from line to line as they can."""
    reached: set[tuple[object, int, int]] = set()
    kept: list[bytes] = []
    for data in sorted(set(inputs), key=lambda one: (len(one), one)):
        new = _steps(target, data) - reached
        if new:
            reached |= new
            kept.append(data)
    if len(kept) <= most:
        return kept
    return [kept[number * len(kept) // most] for number in range(most)]


def _steps(target: Target, data: bytes) -> set[tuple[object, int, int]]:
    """Every step from one line to the next in our own code that the input takes."""
    found: set[tuple[object, int, int]] = set()

    def enter(frame: FrameType, _event: str, _argument: object) -> Any:
        if _OURS not in frame.f_code.co_filename.replace("\\", "/"):
            return None
        last = 0

        def step(frame: FrameType, _event: str, _argument: object) -> Any:
            nonlocal last
            found.add((frame.f_code, last, frame.f_lineno))
            last = frame.f_lineno
            return step

        return step

    before = sys.gettrace()
    sys.settrace(enter)
    try:
        with contextlib.suppress(Exception):  # what breaks is kept by the run itself
            target.run(data)
    finally:
        sys.settrace(before)
    return found
