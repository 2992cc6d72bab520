"""One step, judged: its expectations, what moved elsewhere, what people confirmed, the device's own log."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from probe.judge.limit import Interval
from probe.judge.witness.confirm import Frame, judge_said
from probe.judge.witness.device_log import compare, whole
from probe.judge.witness.expect import Anchored, Span, Terms, judge, missing
from probe.judge.witness.outcome import Event, Kind, Logged, Outcome, StepOutcome
from probe.judge.witness.plan import Item
from probe.judge.witness.step_run import StepRun
from probe.judge.witness.track import ANSWERS, Change
from probe.model.procedure import Expect, seconds_of
from probe.model.signal_words import WRONG, Signal

if TYPE_CHECKING:
    from probe.judge.witness.watch import Watch

_CLOCK = Signal("clock")


class StepJudge:
    """Judges one round of one step. known: entries of the device's log before the go."""

    def __init__(self, watch: Watch, item: Item, run: StepRun, known: Sequence[Event]) -> None:
        self._watch, self._plan, self._item, self._run, self._known = watch, watch.plan, item, run, known
        end_ns = run.ended_ns or watch.now_ns
        self._span = Span(run.begun_ns, run.ready_ns, end_ns, bool(run.ended_ns or run.done_ns))
        self._values = watch.plan.values(item)

    def outcome(self) -> StepOutcome:
        """All that the round came to."""
        item, run = self._item, self._run
        missed = () if run.skipped or not run.ready_ns else tuple(self._watch.missing_cautions(item, run))
        untested = _why_not(run)
        if not run.ready_ns or run.skipped:
            return StepOutcome(item=item, run=run, untested=untested, missing_cautions=missed)
        changes = self._changes()
        free = self._unasked(changes)
        own = {item.about} if item.about in self._plan.devices else set()
        elsewhere = tuple(c for c in free if c.tag not in own)
        outcomes = tuple(self._place(one, elsewhere) for one in self._expected())
        frame = Frame(outcomes, self._watch.wall_s, self._plan.lineup.map.clock.zone, self._values)
        return StepOutcome(
            item=item,
            run=run,
            outcomes=outcomes,
            said=tuple(
                judge_said(one, self._plan.text(item, one.ask), run.confirmed.get(one.id), frame)
                for one in item.step.confirm
            ),
            elsewhere=elsewhere,
            beside=tuple(c for c in free if c.tag in own),
            missing_cautions=missed,
            logged=self._logged(changes),
            unwatched=self._unwatched(),
            untested=untested,  # of a step that was stopped: what moved meanwhile counts all the same
        )

    # -- what was expected ---------------------------------------------------------------------------------

    def _expected(self) -> list[Outcome]:
        go = Anchored("the go", self._span.ready_ns, self._span.ready_ns, True)
        known: dict[tuple[str, str], Outcome] = {}
        found: list[Outcome] = []
        for number, one in enumerate(self._item.step.expect):
            signal = self._plan.signal(self._item, one.see)
            tags = self._plan.whose(self._item, one.of, signal)
            if not tags and not one.spare:
                named = self._plan.named(self._item, one.of)
                found.append(missing(one, self._terms(one), named, signal))
            for tag in tags:
                terms = self._terms(one, self._followers(number, tag, signal))
                anchor = go if one.after is None else _anchor_of(one.after, tag, known)
                outcome = self._judge(one, signal, tag, anchor, terms)
                found.append(outcome)
                if one.id:
                    known[one.id, tag] = outcome
        return found

    def _judge(self, one: Expect, signal: Signal, tag: str, anchor: Anchored, terms: Terms) -> Outcome:
        if signal == _CLOCK:
            return self._clock(one, tag)
        return judge(one, signal, self._watch.tracks[tag], self._span, anchor, terms)

    def _terms(self, one: Expect, followers: frozenset[str] = frozenset()) -> Terms:
        return Terms(
            None if one.within is None else seconds_of(one.within, self._values),
            None if one.stays is None else seconds_of(one.stays, self._values),
            followers,
        )

    def _followers(self, number: int, tag: str, signal: Signal) -> frozenset[str]:
        """Values that later expectations ask of the same signal of the same device."""
        later = self._item.step.expect[number + 1 :]
        return frozenset(
            one.becomes
            for one in later
            if one.becomes is not None
            and self._plan.signal(self._item, one.see) == signal
            and tag in self._plan.whose(self._item, one.of, signal)
        )

    def _clock(self, one: Expect, tag: str) -> Outcome:
        """The device's clock beside this computer's."""
        track = self._watch.tracks[tag]
        rule = track.sense.profile.clock
        assert rule is not None  # a signal that the type has
        off, sample = self._watch.log_of(tag).clock_off(), track.read.get(rule.point)
        limit_s = self._plan.lineup.map.clock.tolerance_s
        right = (one.becomes or one.remains) != WRONG
        if off is None or sample is None or sample.received_ns < self._span.ready_ns:
            kind, observed = Kind.UNREAD, "was not read during the step"
        else:
            kind, observed = _clock_kind(off, limit_s, right), f"off by {off.low:+.2f} to {off.high:+.2f} s"
        if kind is not Kind.SEEN and not self._span.is_over:
            kind = Kind.WAITING
        return Outcome(
            tag=tag,
            id=one.id or "",
            kind=kind,
            title=f"{tag}: clock",
            expected=f"{'within' if right else 'beyond'} {limit_s:g} s of this computer's clock",
            observed=observed,
            evidence=(sample.sequence,) if sample else (),
        )

    # -- what was not --------------------------------------------------------------------------------------

    def _changes(self) -> list[Change]:
        tracks = self._watch.tracks.values()
        since_ns, end_ns = self._span.ready_ns, self._span.end_ns
        return [c for track in tracks for c in track.during(since_ns) if c.low_ns < end_ns]

    def _unwatched(self) -> tuple[str, ...]:
        """Devices that were not asked any more once the act was over: they could have moved unseen."""
        if not self._run.ended_ns:
            return ()
        over_ns = self._run.done_ns or self._span.ready_ns
        return tuple(tag for tag, track in self._watch.tracks.items() if track.asked_ns < over_ns)

    def _unasked(self, changes: Sequence[Change]) -> list[Change]:
        """Changes that the step neither expects nor allows."""
        claimed = set(self._claimed())
        return [c for c in changes if self._counts(c) and (c.tag, c.signal) not in claimed]

    def _counts(self, change: Change) -> bool:
        """False for signals that are followed for another step only, and for what the step allows."""
        standing = (*self._plan.senses[change.tag].standing, ANSWERS)
        return change.signal in standing and not self._is_allowed(change)

    def _claimed(self) -> Iterator[tuple[str, Signal]]:
        """Device and signal of everything that the step is about."""
        for one in self._item.step.expect:
            signal = self._plan.signal(self._item, one.see)
            for tag in self._plan.whose(self._item, one.of, signal):
                yield from ((tag, covered) for covered in self._covered(tag, signal))

    def _covered(self, tag: str, signal: Signal) -> Iterator[Signal]:
        """The signal, and for ``any trip`` all of that severity."""
        yield signal
        if signal.kind == "any":
            alarms = self._plan.senses[tag].alarms
            yield from (own for own, rule in alarms.items() if rule.severity == signal.name)

    def _is_allowed(self, change: Change) -> bool:
        for one in self._item.step.allow:
            if change.tag not in self._plan.named(self._item, one.of):
                continue
            if one.see is None:
                return True
            if change.signal in self._covered(change.tag, self._plan.signal(self._item, one.see)):
                return True
        return False

    def _place(self, outcome: Outcome, elsewhere: Sequence[Change]) -> Outcome:
        """The outcome, told as "elsewhere" where the same was seen of another device instead."""
        if outcome.kind is not Kind.NOTHING or outcome.tag != self._item.about:
            return outcome
        asked = {(self._plan.signal(self._item, e.see), e.becomes) for e in self._item.step.expect}
        same = [c for c in elsewhere if (c.signal, c.after) in asked and outcome.signal == c.signal]
        if not same:
            return outcome
        other = same[0]
        what = (
            f"{other.tag} became {other.after} instead: the wrong one moved, or two are swapped on the wire"
        )
        return replace(
            outcome,
            kind=Kind.ELSEWHERE,
            observed=what,
            low_ns=other.low_ns,
            high_ns=other.high_ns,
            evidence=other.evidence,
        )

    # -- the device's own log ------------------------------------------------------------------------------

    def _logged(self, changes: Sequence[Change]) -> Logged | None:
        step, tag = self._item.step, self._item.about
        if not step.log or tag not in self._watch.tracks:
            return None
        reader = self._watch.log_of(tag)
        if step.log == "whole":
            return whole(reader)
        own = [c for c in changes if c.tag == tag and c.signal != ANSWERS]
        return compare(reader, self._known, own, self._watch.wall_s)


def _why_not(run: StepRun) -> str:
    """Why the round cannot give a verdict, "" if it can."""
    if run.skipped:
        return f"skipped: {run.skipped}"
    if run.stopped:
        return "abandoned with the stop key"
    return "" if run.ready_ns else "begun, never watched"


def _anchor_of(name: str, tag: str, known: dict[tuple[str, str], Outcome]) -> Anchored:
    """The outcome that is timed from: of the same device, otherwise the first of that name."""
    found = known.get((name, tag)) or next((o for (id_, _), o in known.items() if id_ == name), None)
    if found is None or not found.high_ns:
        return Anchored(f'"{name}"', 0, 0, False)
    return Anchored(f'"{name}"', found.low_ns, found.high_ns, True)


def _clock_kind(off: Interval, limit_s: float, right: bool) -> Kind:
    inside = abs(off.low) <= limit_s and abs(off.high) <= limit_s
    outside = off.low > limit_s or off.high < -limit_s
    if inside:
        return Kind.SEEN if right else Kind.WRONG
    if outside:
        return Kind.WRONG if right else Kind.SEEN
    return Kind.UNSURE
