"""What each screen of a witnessed procedure shows, from what is known at that instant.

A page holds no state: where the work stands is told with each call. Pure.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from probe.judge.witness.checks import change_words
from probe.judge.witness.confirm import CANNOT_TELL
from probe.judge.witness.expect import Terms, expected_words
from probe.judge.witness.outcome import Kind, StepOutcome
from probe.judge.witness.plan import Item
from probe.judge.witness.sense import SignalValue
from probe.judge.witness.watch import Watch
from probe.model.finding import Verdict
from probe.model.procedure import Confirm
from probe.present.keys import ENTER
from probe.present.witness.view import Line, Stage, View

STOP, SKIP, PAUSE, LEAVE, REMARK, REPEAT, BACK, GO = "x", "s", "p", "q", "m", "r", "b", " "
CLOSE = "e"
_SPACE = "Space"

#: Keys as they are named on a screen, with what they do.
Keys = tuple[tuple[str, str], ...]
WAYS_OUT: Keys = ((STOP, "STOP"), (SKIP, "skip"), (REMARK, "remark"), (PAUSE, "pause"), (LEAVE, "leave"))
_AFTER: Keys = (
    (_SPACE, "next"), (REPEAT, "repeat this step"), (BACK, "back one step"), (REMARK, "remark"),
    (PAUSE, "pause"), (LEAVE, "leave"),
)  # fmt: skip


class Turn(NamedTuple):
    """Which step is at hand (None: none), and for which time."""

    item: Item | None = None
    round: int = 0


class Pages:
    """See module."""

    def __init__(self, watch: Watch) -> None:
        self._watch = watch

    def words(self, item: Item, text: str) -> str:
        """A procedure's text with the step's own tags and values in it."""
        return self._watch.plan.text(item, text)

    def end(self) -> View:
        """The last screen: every step has been come to."""
        items, counts = self._watch.plan.items, dict[Verdict, int]()
        for item in items:
            outcome = self._watch.outcomes.get(item.key)
            verdict = Verdict.NOT_TESTED if outcome is None else outcome.verdict
            counts[verdict] = counts.get(verdict, 0) + 1
        told = ", ".join(f"{many} {verdict.value}" for verdict, many in counts.items())
        return self._view(
            Stage.END,
            Turn(),
            title="Every step has been come to.",
            texts=(("", f"{len(items)} steps: {told}."),),
            keys=(
                (CLOSE, "end: judge and close the record"),
                (BACK, "back to the last step"),
                (LEAVE, "leave"),
            ),
        )

    def caution(self, turn: Turn, text: str, about: str, purpose: str) -> View:
        """A caution that somebody must acknowledge."""
        return self._view(
            Stage.CAUTION,
            turn,
            title=about,
            texts=(*((("", purpose),) if purpose else ()), ("bold", text)),
            keys=(("a", "acknowledged"), *WAYS_OUT),
        )

    def read(self, item: Item, round_: int) -> View:
        """What is to be done, and how the gear stands that will be looked at."""
        step = item.step
        note = [("dim", self.words(item, step.note))] if step.note else []
        return self._view(
            Stage.READ,
            Turn(item, round_),
            title=self.words(item, step.title),
            texts=(self._order(item), *note),
            lines=tuple(self._expected_lines(item)),
            alarms=tuple(f"Not ready: {text}" for text in self._watch.unmet(item)),
            keys=((_SPACE, "GO, everybody is ready"), *WAYS_OUT),
        )

    def _order(self, item: Item) -> tuple[str, str]:
        return "bold", f"{item.step.who}: {self.words(item, item.step.do)}"

    def _expected_lines(self, item: Item) -> list[Line]:
        """What will be looked at, with what it shows now."""
        plan, found = self._watch.plan, []
        for one in item.step.expect:
            signal = plan.signal(item, one.see)
            tags = plan.whose(item, one.of, signal)
            now = [self._watch.tracks[tag].current.get(signal) for tag in tags[:1]]
            if not tags and one.spare:
                continue
            shown = "not read yet" if not now or now[0] is None else f"now {_value(now[0])}"
            who = tags[0] if len(tags) == 1 else f"{len(tags)} devices"
            title = plan.senses[tags[0]].title(signal) if tags else signal.title
            wanted = expected_words(one, Terms(None, None), "")
            found.append(Line(verdict=None, title=f"{who}: {title}", expected=wanted, observed=shown))
        return found

    def watching(self, item: Item, round_: int, outcome: StepOutcome) -> View:
        """Expected against seen, while somebody acts."""
        waiting = any(one.kind is Kind.WAITING for one in outcome.outcomes)
        bad = any(one.verdict is Verdict.FAIL for one in outcome.outcomes) or bool(outcome.elsewhere)
        return self._view(
            Stage.GO if waiting or bad else Stage.SEEN,
            Turn(item, round_),
            title=self.words(item, item.step.title),
            word="wrong" if bad else "",
            verdict=Verdict.FAIL if bad else None,
            texts=(self._order(item),),
            lines=tuple(_lines(outcome)),
            alarms=tuple(_alarms(outcome)),
            keys=((_SPACE, "done"), (STOP, "STOP, abandon the step"), (REMARK, "remark"), (LEAVE, "leave")),
        )

    def settling(self, item: Item, round_: int) -> View:
        """The act is over; all devices are read once more."""
        title = "Looking at all devices once more"
        return self._view(Stage.SEEN, Turn(item, round_), title=title, keys=((STOP, "STOP"),))

    def confirm(self, item: Item, round_: int, confirm: Confirm) -> View:
        """A question that only somebody's eyes can answer."""
        return self._view(
            Stage.CONFIRM,
            Turn(item, round_),
            title="Look, and say what you see.",
            texts=(("bold", self.words(item, confirm.ask)),),
            keys=(("y", "yes"), ("n", "no"), ("c", CANNOT_TELL), *WAYS_OUT),
        )

    def result(self, item: Item, round_: int) -> View:
        """What the step came to."""
        outcome, turn = self._watch.outcomes.get(item.key), Turn(item, round_)
        title = self.words(item, item.step.title)
        if outcome is None:
            return self._view(Stage.RESULT, turn, title=title, keys=_AFTER)
        if outcome.untested:
            return self._view(
                Stage.RESULT,
                turn,
                title=title,
                word="skipped" if outcome.run.skipped else "stopped",
                verdict=Verdict.NOT_TESTED,
                texts=(("", f"Not tested: {outcome.untested}."),),
                keys=_AFTER,
            )
        return self._view(
            Stage.RESULT,
            turn,
            title=title,
            word=outcome.verdict.value if outcome.verdict is not Verdict.NOT_TESTED else "open",
            verdict=outcome.verdict,
            lines=(*_lines(outcome), *_said_lines(outcome), *_log_lines(outcome)),
            alarms=tuple(_alarms(outcome)),
            keys=_AFTER,
        )

    def paused(self, turn: Turn) -> View:
        """Nothing is asked until somebody goes on."""
        return self._view(
            Stage.PAUSED,
            turn,
            title="Paused. Nothing is asked meanwhile.",
            keys=((PAUSE, "go on"), (LEAVE, "leave; the record can be gone on with")),
        )

    def typing(self, turn: Turn, prompt: str, typed: str) -> View:
        """A line that somebody types."""
        return self._view(Stage.TYPE, turn, prompt=prompt, typed=typed, keys=((ENTER, "that is it"),))

    def _view(self, stage: Stage, turn: Turn, **facts: Any) -> View:
        """A view of this run (Any: the fields of ``View``)."""
        plan, item, place = self._watch.plan, turn.item, ""
        if item is not None:
            place = f"step {plan.items.index(item) + 1} of {len(plan.items)}"
            place += f", time {turn.round}" if turn.round > 1 else ""
        return View(
            stage=stage,
            lineup=plan.lineup.map.lineup,
            procedure=item.procedure.title if item else ", ".join(p.title for p in plan.procedures),
            place=place,
            tag="" if item is None else item.about,
            **facts,
        )


#: While a step goes on.
_OPEN = (Kind.WAITING, Kind.HOLDING)


def _lines(outcome: StepOutcome) -> list[Line]:
    shown = sorted(outcome.outcomes, key=lambda one: one.verdict is Verdict.PASS)
    return [
        Line(
            verdict=None if one.kind in _OPEN else one.verdict,
            title=one.title,
            expected=one.expected,
            observed=one.observed if one.kind in (Kind.SEEN, *_OPEN) else f"{one.kind.value}: {one.observed}",
            timing=one.timing,
        )
        for one in shown
    ]


def _value(value: SignalValue) -> str:
    return f"{value:g}" if isinstance(value, float) else value


def _said_lines(outcome: StepOutcome) -> list[Line]:
    return [
        Line(
            verdict=one.verdict,
            title=one.ask,
            expected=one.confirm.kind,
            observed="; ".join(filter(None, (one.said, one.why))),
        )
        for one in outcome.said
    ]


def _log_lines(outcome: StepOutcome) -> list[Line]:
    log = outcome.logged
    if log is None:
        return []
    expected, observed = log.expected or "agrees with what was seen", log.observed or log.title
    return [
        Line(
            verdict=log.verdict,
            title="Its own log",
            expected=expected,
            observed=observed,
            timing=log.report_s,
        )
    ]


def _alarms(outcome: StepOutcome) -> list[str]:
    """What must be seen at once: something moved that nobody asked for."""
    told = [f"elsewhere: {change_words(change)}" for change in outcome.elsewhere]
    if any(change.signal.kind == "state" for change in outcome.elsewhere):
        told.append("Stop. Find out why before anything else is operated.")
    return told
