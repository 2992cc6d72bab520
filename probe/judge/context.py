"""All that a check may ask about one device: its evidence indexed once, its readings decoded when wanted."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property
from itertools import pairwise
from typing import Any

from probe.judge.blocks import Block, blocks_of, decode
from probe.judge.check import Subject
from probe.judge.facts import Reach
from probe.judge.reach import is_lost, reach_of
from probe.judge.run_context import RunContext
from probe.judge.traits import Place, Seen, traits_of
from probe.model.device_evidence import DeviceEvidence
from probe.model.device_map import Target
from probe.model.evidence import Exchange, Outcome, Purpose
from probe.model.profile import Point
from probe.model.reading import Quality, Reading

Numbered = tuple[int, Exchange]

_ABSENT, _REFERENCE = Purpose.ABSENT_UNIT, Purpose.REFERENCE
_DATA, _NOT_SENT = Outcome.DATA, Outcome.NOT_SENT
_CUT = (Outcome.CLOSED, Outcome.RESET)

#: An exchange ends with its connection; both are dated one after the other.
MET_NS = 50_000_000


class DeviceContext:
    """One device's evidence, ready for the checks. Lives for one judgement."""

    def __init__(self, subject: Subject, evidence: DeviceEvidence, run: RunContext) -> None:
        self.lineup, self.device, self.profile, self.scope = subject
        self.map = self.lineup.map
        self.tag = self.device.tag
        self.evidence = evidence
        self.run = run
        #: Attempts on the device itself that went out, in order.
        self.sent: list[Numbered] = []
        self.blocks: list[Block] = []
        self.traits = traits_of(self.profile)
        self._latest: dict[str, Reading | None] = {}
        self._readings: dict[str, tuple[Reading, ...]] = {}
        #: What a module worked out once for this device, by its own key.
        self.memory: dict[str, Any] = {}
        #: True if every request was answered with data at the first attempt.
        self.is_clean = True
        #: Questions to units that the map does not hold.
        self.absent_units: list[Numbered] = []
        #: Requests that met the end of the connection of a device that hangs up after each answer.
        self.crossed: list[Numbered] = []
        self._index(evidence.exchanges)
        if not self.is_clean:
            self._leave_out_crossed()
        # Every judgement asks for these, and a cached property costs more than they do.
        #: Where the device answers.
        self.target: Target = self.map.target(self.tag)
        #: How far the device could be reached.
        self.reach = Reach.ANSWERS if self.is_clean and self.sent else reach_of(self.sent, evidence.connects)
        #: Requests to which nothing of the device came back.
        self.lost = 0 if self.is_clean else sum(is_lost(exchange) for _, exchange in self.sent)

    def _index(self, exchanges: Iterable[Numbered]) -> None:
        """Put each attempt where the checks look for it. Seen for every exchange of a run."""
        sent, accepted = self.sent, []
        absent, reference, data, not_sent = _ABSENT, _REFERENCE, _DATA, _NOT_SENT
        for numbered in exchanges:
            _, purpose, _, _, attempt, _, _, outcome, _, _, _ = numbered[1]
            if purpose is absent:
                self.absent_units.append(numbered)
            elif purpose is not reference and outcome is not not_sent:
                sent.append(numbered)
                if outcome is not data:
                    self.is_clean = False
                    continue
                if attempt != 1:
                    self.is_clean = False
                accepted.append(numbered)
        self.blocks = blocks_of(accepted, self.device.register_shift)

    def _leave_out_crossed(self) -> None:
        """Set apart what was on its way when the device hung up by habit: it never had to answer that.

        The habit is shown where no connection of its link carried more than one request, but for one that
        the device ended with two: on that one we learned of it.
        """
        ends = [one for _, one in self.evidence.disconnects]
        met = [one.at_ns for one in ends if one.by_peer and one.requests == 2]
        habit = any(one.by_peer and one.requests == 1 for one in ends)
        if not habit or len(met) != 1 or sum(one.requests > 1 for one in ends) > 1:
            return
        self.crossed = [
            numbered
            for numbered in self.sent
            if numbered[1].outcome in _CUT and abs(numbered[1].received_ns - met[0]) <= MET_NS
        ]
        self.sent = [numbered for numbered in self.sent if numbered not in self.crossed]

    @cached_property
    def seen(self) -> Seen:
        """Which points the replies hold."""
        keys = [(function, start, size) for _, _, function, start, size, _ in self.blocks]
        return self.traits.shapes.seen(frozenset(keys))

    def point(self, name: str) -> Point:
        """A point of the profile by name."""
        return self.profile.by_name[name]

    def readings(self, name: str) -> tuple[Reading, ...]:
        """All readings of a point, in the order taken; empty if it was never read."""
        known = self._readings.get(name)
        if known is None:
            place = self.traits.places[name]
            known = tuple(decode(self.profile, place.point, block) for block in self._holding(place))
            self._readings[name] = known
        return known

    def _holding(self, place: Place) -> list[Block]:
        """The blocks that hold a point, in the order taken."""
        _, function, start, end = place
        return [
            block
            for block in self.blocks
            if block.start <= start and end <= block.start + block.size and block.function == function
        ]

    def good(self, name: str) -> tuple[Reading, ...]:
        """Those readings of a point that are worth comparing."""
        return tuple([r for r in self.readings(name) if r.quality is Quality.GOOD])

    def latest(self, name: str) -> Reading | None:
        """The last good reading of a point; None without one. Decodes no others."""
        if name not in self._latest:
            self._latest[name] = self._last_good(name)
        return self._latest[name]

    def _last_good(self, name: str) -> Reading | None:
        place = self.traits.places[name]
        for block in reversed(self._holding(place)):
            reading = decode(self.profile, place.point, block)
            if reading.quality is Quality.GOOD:
                return reading
        return None

    @cached_property
    def restart(self) -> tuple[Reading, Reading] | None:
        """Two readings of the uptime of which the later is lower; None without a restart (or an uptime)."""
        name = self.profile.uptime
        for before, after in pairwise(self.good(name) if name else ()):
            if after.value < before.value:  # type: ignore[operator]  # an uptime is a number by its quantity
                return before, after
        return None

    @property
    def is_left_alone(self) -> bool:
        """True if nothing was asked any more once a restart was seen."""
        return self.restart is not None and self.sent[-1][0] == self.restart[1].sequence

    def why_nothing(self) -> str:
        """In words, why there is no evidence for something."""
        if self.evidence.interrupted:
            why = self.run.wrong_board
            return f"the run was ended: {why}" if why else "the run ended before it was tested"
        if not self.sent and not self.evidence.connects:
            return "the device was not asked"
        if self.reach is Reach.ANSWERS:
            if self.is_left_alone:
                return "the device restarted during the run and was then left alone"
            return "nothing was read for it"
        return f"no values came from the device ({self.reach.value})"
