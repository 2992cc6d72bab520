"""Watch: the whole run, piece by piece of evidence, in the order of the record: tracks, answers, outcomes.

The collector feeds it while people act, so that the screen shows expected against seen; the judge feeds it
the same pieces from the record and comes to the same outcomes. A step is judged on what was known when its
end was said; later evidence does not change it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from probe.judge.witness.device_log import LogReader
from probe.judge.witness.outcome import Event, StepOutcome
from probe.judge.witness.plan import Item, WitnessPlan
from probe.judge.witness.step_judge import StepJudge
from probe.judge.witness.step_run import Key, Runs, StepRun
from probe.judge.witness.track import Change, Track
from probe.model.acts import ACTS, CAUTIONS, GENERAL, Caution
from probe.model.evidence import Anchor, AnswerTopic, Connect, Evidence, Exchange, OperatorAnswer
from probe.model.signal_words import Signal


class Watch:
    """See module."""

    def __init__(self, plan: WitnessPlan) -> None:
        self.plan = plan
        self.runs = Runs()
        self.now_ns = 0
        #: Outcome of the last round of each step that is over.
        self.outcomes: dict[Key, StepOutcome] = {}
        self.tracks = {
            tag: Track(tag, plan.senses[tag], device.register_shift, plan.signals_of(tag))
            for tag, device in plan.devices.items()
        }
        self._links: dict[str, list[str]] = {}
        for tag in plan.tags:
            self._links.setdefault(plan.lineup.map.target(tag).link, []).append(tag)
        self._anchors: list[Anchor] = []
        #: Log entries of the step's device before the go, by step and round.
        self._logs: dict[tuple[Key, int], list[Event]] = {}

    # -- evidence ------------------------------------------------------------------------------------------

    def take(self, number: int, evidence: Evidence) -> list[Change]:
        """The changes that the piece shows."""
        if isinstance(evidence, Exchange):
            track = self.tracks.get(evidence.tag)
            self.now_ns = max(self.now_ns, evidence.received_ns)
            return [] if track is None else track.take(number, evidence)
        if isinstance(evidence, Connect):
            self.now_ns = max(self.now_ns, evidence.received_ns)
            tags = self._links.get(evidence.host, ())
            return [c for tag in tags for c in self.tracks[tag].take_connect(number, evidence)]
        if isinstance(evidence, OperatorAnswer):
            self._answered(number, evidence)
        elif isinstance(evidence, Anchor):
            self._anchors.append(evidence)
        return []

    def take_all(self, items: Iterable[tuple[int, Evidence]]) -> None:
        """Take many pieces, in the order of their numbers."""
        for number, evidence in sorted(items, key=lambda item: item[0]):
            self.take(number, evidence)

    def _answered(self, number: int, answer: OperatorAnswer) -> None:
        self.now_ns = max(self.now_ns, answer.at_ns)
        run = self.runs.take(number, answer)
        item = None if run is None else self.plan.find(*run.key)
        if run is None or item is None:
            return
        if answer.topic is AnswerTopic.READY and item.about in self.tracks:
            self._logs[run.key, run.round] = self.log_of(item.about).events()
        if not run.is_over:
            self.outcomes.pop(run.key, None)
        elif run.key not in self.outcomes:
            self.outcomes[run.key] = self.outcome(item, run)

    # -- questions -----------------------------------------------------------------------------------------

    def outcome(self, item: Item, run: StepRun) -> StepOutcome:
        """What the round of the step came to, or has come to so far."""
        known = self._logs.get((run.key, run.round), [])
        return StepJudge(self, item, run, known).outcome()

    def wall_s(self, at_ns: int) -> float | None:
        """Unix seconds of an instant of the run, by the anchor before it; None without one."""
        if not self._anchors:
            return None
        anchor = next((a for a in reversed(self._anchors) if a.at_ns <= at_ns), self._anchors[0])
        return (anchor.wall_ns + at_ns - anchor.at_ns) / 1e9

    def log_of(self, tag: str) -> LogReader:
        """The reader of a device's own log and clock."""
        return LogReader(self.tracks[tag], self.plan.lineup.map.clock.zone, self.wall_s)

    def unmet(self, item: Item) -> tuple[str, ...]:
        """What does not stand as the step needs it before it begins, in words."""
        found = []
        for one in item.step.before:
            signal = self.plan.signal(item, one.see)
            for tag in self.plan.whose(item, one.of, signal):
                now = self.tracks[tag].current.get(signal)
                if now not in one.is_:
                    shown = "not read yet" if now is None else str(now)
                    found.append(f"{tag} {signal.title}: {shown}, must be {' or '.join(one.is_)}")
        return tuple(found)

    # -- cautions ------------------------------------------------------------------------------------------

    def cautions(self, item: Item) -> tuple[Caution, ...]:
        """What has to be acknowledged before the go of this step."""
        own = (CAUTIONS[name] for name in ACTS[item.step.act].cautions)
        more = enumerate(item.step.cautions, 1)
        return (*own, *(Caution(id=f"own-{n}", text=self.plan.text(item, text)) for n, text in more))

    def general_cautions(self, item: Item) -> tuple[Caution, ...]:
        """What has to be acknowledged once before anything of the procedure."""
        more = enumerate(item.procedure.cautions, 1)
        return (
            GENERAL,
            *(Caution(id=f"sheet-{n}", text=self.plan.text(item, text)) for n, text in more),
        )

    def missing_cautions(self, item: Item, run: StepRun) -> Iterator[str]:
        """Ids of cautions that were not acknowledged before the go."""
        yield from (c.id for c in self.cautions(item) if c.id not in run.acknowledged)
        sheet = item.procedure.name
        general = self.general_cautions(item)
        yield from (c.id for c in general if (sheet, c.id) not in self.runs.acknowledged)


def own_tags(plan: WitnessPlan, item: Item) -> tuple[str, ...]:
    """Tags that the step is about."""
    if item.about in plan.devices:
        return (item.about,)
    if item.bus:
        signal = Signal("bus", item.bus)
        return tuple(tag for tag in plan.tags if plan.senses[tag].has(signal))
    return plan.tags
