"""What a conversation may want next: a request now, one at its own instant, a pause, or company.

Request   to be asked when it is the device's turn
Aimed     to be asked at an instant that matters (a clock about to roll over)
Aside     a second conversation with the same device, beside this one
int       nothing before this time (nanoseconds of the run)
Phase     where the device stands now, for whoever watches
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import NamedTuple

from probe.collect.events import Phase
from probe.model.evidence import Exchange
from probe.wire.link import Request


class Aimed(NamedTuple):
    """A request whose instant matters.

    aim: the first good instant that is not before the one given, in nanoseconds of the run. slack_ns: how
    late it may go and still be worth asking; later than that it is aimed anew.
    """

    request: Request
    aim: Callable[[int], int]
    slack_ns: int


class Aside(NamedTuple):
    """A further conversation with the same device; the device is done when both are."""

    script: Generator[Turn, Exchange, None]


Turn = Request | Aimed | Aside | int | Phase
Script = Generator[Turn, Exchange, None]
