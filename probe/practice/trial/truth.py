"""What was put into a trial, and what the diagnosis should answer to it."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from probe.practice.trial.lineup import Seat, Trial


@dataclass(frozen=True, slots=True)
class Truth:
    """What was put in. kinds: causes that are right. tags: devices that it sits in. also: all must be named.

    where: words of which the statement must hold one (phase, point, order); empty: none needed.
    """

    fault: str
    kinds: tuple[str, ...]
    tags: tuple[str, ...]
    where: tuple[str, ...] = ()
    also: tuple[str, ...] = ()


class Unfit(Exception):  # noqa: N818 - not an error: the trial is drawn again
    """This fault would not show in this trial: draw again."""


Inject = Callable[[Trial, Seat, random.Random], Truth]
