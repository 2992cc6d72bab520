"""Session: leads people through a procedure, step by step, key by key; everything said goes to the record.

    read cautions -> acknowledge each -> read the step -> go -> watch -> done -> confirm -> result -> next

The record is the state: where the work stands follows from the answers in it, so that it can be left and gone
on with at any time, also after a crash. Nothing that was said is taken back; a step that is repeated begins
anew, and the former round stays where it is.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NoReturn

from probe.collect.witness_poll import WitnessPoll
from probe.judge.witness.checks import change_words
from probe.judge.witness.confirm import CANNOT_TELL
from probe.judge.witness.expect import Terms, expected_words
from probe.judge.witness.outcome import Kind, StepOutcome
from probe.judge.witness.plan import Item
from probe.judge.witness.sense import SignalValue
from probe.judge.witness.track import ANSWERS
from probe.judge.witness.watch import Watch
from probe.model.clock import RunClock
from probe.model.errors import RecordError
from probe.model.evidence import AnswerTopic, OperatorAnswer
from probe.model.finding import Verdict
from probe.model.procedure import Confirm, Expect
from probe.model.signal_words import NO
from probe.present.keys import END, ENTER, ESCAPE
from probe.present.keys import Line as TypedLine
from probe.present.witness.view import Line, Stage, View

_TICK_S = 0.03
#: Nobody reads a caution faster; keys that were typed ahead must not acknowledge what nobody has seen.
READ_S = 0.6
#: How long the device's own log is waited for once an act is over.
_SETTLE_S = 3.0
#: How long the devices of a step are waited for before the go is offered without them.
_FIRST_READING_S = 6.0

STOP, SKIP, PAUSE, LEAVE, REMARK, REPEAT, BACK, GO = "x", "s", "p", "q", "m", "r", "b", " "
_SPACE = "Space"


class Left(Exception):  # noqa: N818 - what happened
    """The people leave; the record stays open."""


class _Stopped(Exception):  # noqa: N818 - what happened
    """The stop key: the step is abandoned."""


class _Skipped(Exception):  # noqa: N818 - what happened
    """The step is skipped; the reason is in the record."""


@dataclass(slots=True, kw_only=True)
class Tools:
    """What a session works with.

    keep: takes an answer and has it on disk at once. on_go: told when an act may begin (a practice operator
    listens to it). stop: set from a signal. read_s: so long a caution stands before it can be acknowledged.
    """

    watch: Watch
    poll: WitnessPoll
    clock: RunClock
    keep: Callable[[OperatorAnswer], object]
    show: Callable[[View], None]
    key: Callable[[], str | None]
    stop: asyncio.Event
    read_s: float = READ_S
    on_go: Callable[[Item, int], None] = lambda item, round_: None


class Session:
    """See module. initials: of who works the keys; asked for if empty."""

    def __init__(self, tools: Tools, initials: str = "") -> None:
        self._tools = tools
        self._watch = tools.watch
        self._items = tools.watch.plan.items
        self._initials = initials
        self._item: Item | None = None
        self._round = 0
        self._hint = ""
        self.stage = Stage.WELCOME

    async def play(self) -> bool:
        """Lead through everything; True if it was ended, False if the people left and mean to come back."""
        try:
            self._tools.poll.start()
            await self._welcome()
            place = self._first_open()
            while True:
                while place < len(self._items):
                    place = await self._one(place)
                place = await self._end()
                if place < 0:
                    return True
        except Left:
            self._abandon("left")
            return False
        finally:
            await self._tools.poll.halt()

    # -- the whole -----------------------------------------------------------------------------------------

    async def _welcome(self) -> None:
        if not self._initials:
            self._initials = await self._typed(
                "Initials of whoever works the keys, then Enter", most=8, least=1
            )
        if any(run for runs in self._watch.runs.by_key.values() for run in runs):
            self._say(AnswerTopic.RESUMED)
        self._interrupted()
        for procedure in self._watch.plan.procedures:
            item = next((one for one in self._items if one.procedure is procedure), None)
            if item is None:
                continue
            for caution in self._watch.general_cautions(item):
                if (procedure.name, caution.id) in self._watch.runs.acknowledged:
                    continue
                await self._acknowledge(caution.text, item, procedure.title, procedure.purpose)
                self._say(
                    AnswerTopic.ACKNOWLEDGED, sheet=procedure.name, part=caution.id, question=caution.text
                )

    def _interrupted(self) -> None:
        """A step that a crash cut off is done again from its beginning."""
        for item in self._items:
            run = self._watch.runs.last(item.key)
            if run is not None and not run.is_over:
                self._item, self._round = item, run.round
                self._say(AnswerTopic.STOPPED, said="the program ended before the step was over")
        self._item = None

    def _first_open(self) -> int:
        """Number of the first step that has no result: where the work goes on."""
        for number, item in enumerate(self._items):
            run = self._watch.runs.last(item.key)
            if run is None or not run.is_over or run.stopped:
                return number
        return len(self._items)

    async def _end(self) -> int:
        """The last screen; -1 to close the record, otherwise the step to go back to."""
        self._item = None
        while True:
            key = await self._pressed("e", BACK, view=self._end_view)
            if key == "e":
                return -1
            return max(len(self._items) - 1, 0)

    def _end_view(self) -> View:
        counts: dict[Verdict, int] = {}
        for item in self._items:
            outcome = self._watch.outcomes.get(item.key)
            verdict = Verdict.NOT_TESTED if outcome is None else outcome.verdict
            counts[verdict] = counts.get(verdict, 0) + 1
        told = ", ".join(f"{many} {verdict.value}" for verdict, many in counts.items())
        return self._view(
            Stage.END,
            title="Every step has been come to.",
            texts=(("", f"{len(self._items)} steps: {told}."),),
            keys=(("e", "end: judge and close the record"), ("b", "back to the last step"), ("q", "leave")),
        )

    # -- one step ------------------------------------------------------------------------------------------

    async def _one(self, place: int) -> int:
        """Do one step; the number of the next one."""
        item = self._item = self._items[place]
        last = self._watch.runs.last(item.key)
        if last is not None:
            self._round = last.round
            self._say(AnswerTopic.REPEATED)
        self._round = 1 if last is None else last.round + 1
        self._say(AnswerTopic.BEGUN, question=self._text(item.step.do))
        try:
            await self._step(item)
        except _Stopped:
            self._say(AnswerTopic.STOPPED)
        except _Skipped:
            pass
        self._tools.poll.rest()
        return await self._result(place, item)

    async def _step(self, item: Item) -> None:
        self._tools.poll.prepare(item)
        for caution in self._watch.cautions(item):
            await self._acknowledge(caution.text, item, f"Before: {self._text(item.step.title)}")
            self._say(AnswerTopic.ACKNOWLEDGED, part=caution.id, question=caution.text)
        await self._read(item)
        self._say(AnswerTopic.READY)
        self._tools.poll.attend(item)
        self._tools.on_go(item, self._round)
        await self._watching(item)
        self._say(AnswerTopic.DONE)
        for confirm in item.step.confirm:
            await self._confirm(item, confirm)
        await self._settled(item)
        self._say(AnswerTopic.ENDED)

    async def _acknowledge(self, text: str, item: Item, about: str, purpose: str = "") -> None:
        view = self._view(
            Stage.CAUTION,
            item=item,
            title=about,
            texts=(*((("", purpose),) if purpose else ()), ("bold", text)),
            keys=(("a", "acknowledged"), *self._ways_out()),
        )
        began_ns = self._tools.clock.now_ns()
        while True:
            await self._pressed("a", view=lambda: view)
            if self._tools.clock.now_ns() - began_ns >= self._tools.read_s * 1e9:
                return
            self._hint = "Read it first: a key that was pressed before counts for nothing."

    async def _read(self, item: Item) -> None:
        """What is to be done, until everybody is ready and the gear stands as it must."""
        await self._first_readings(item)
        while True:
            await self._pressed(GO, view=lambda: self._read_view(item))
            unmet = self._watch.unmet(item)
            if not unmet:
                return
            self._hint = f"It does not stand as it must: {unmet[0]}"

    async def _first_readings(self, item: Item) -> None:
        """Offer no go before it is known how every device stands, or that it cannot be read."""
        began_ns = self._tools.clock.now_ns()
        while (unread := self._unread()) and self._tools.clock.now_ns() - began_ns < _FIRST_READING_S * 1e9:
            hint = f"Wait: {len(unread)} devices are not read yet ({', '.join(unread[:3])})"
            view = replace(self._read_view(item), keys=self._ways_out())
            self.stage = view.stage
            self._tools.show(replace(view, hint=hint))
            await self._tick()
            key = self._tools.key()
            if key is not None and key != GO:
                await self._usual(key)

    def _unread(self) -> list[str]:
        """Devices of which it is not known yet how they stand: what they do could not be seen."""
        found = []
        for tag, track in self._watch.tracks.items():
            wanted = track.sense.standing
            silent = track.current.get(ANSWERS) == NO
            if not silent and (
                ANSWERS not in track.current or any(s not in track.current for s in wanted[:1])
            ):
                found.append(tag)
        return found

    def _read_view(self, item: Item) -> View:
        step = item.step
        unmet = self._watch.unmet(item)
        expected = self._expected_lines(item)
        note = [("dim", self._text(step.note))] if step.note else []
        return self._view(
            Stage.READ,
            item=item,
            title=self._text(step.title),
            texts=(("bold", f"{step.who}: {self._text(step.do)}"), *note),
            lines=tuple(expected),
            alarms=tuple(f"Not ready: {text}" for text in unmet),
            keys=((_SPACE, "GO, everybody is ready"), *self._ways_out()),
        )

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

    # -- watching ------------------------------------------------------------------------------------------

    async def _watching(self, item: Item) -> None:
        """Expected against seen, until somebody says that it is over."""
        warned = False
        while True:
            await self._pressed(GO, view=lambda: self._watch_view(item))
            waiting = [one for one in self._outcome(item).outcomes if one.kind is Kind.WAITING]
            if not waiting or warned:
                return
            warned = True
            self._hint = f"Not seen yet: {waiting[0].title}. Space again ends the watching all the same."

    def _outcome(self, item: Item) -> StepOutcome:
        run = self._watch.runs.last(item.key)
        assert run is not None  # it was begun
        self._watch.now_ns = max(self._watch.now_ns, self._tools.clock.now_ns())
        return self._watch.outcome(item, run)

    def _watch_view(self, item: Item) -> View:
        outcome = self._outcome(item)
        waiting = any(one.kind is Kind.WAITING for one in outcome.outcomes)
        bad = any(one.verdict is Verdict.FAIL for one in outcome.outcomes) or bool(outcome.elsewhere)
        stage = Stage.GO if waiting or bad else Stage.SEEN
        return self._view(
            stage,
            item=item,
            title=self._text(item.step.title),
            word="wrong" if bad else "",
            verdict=Verdict.FAIL if bad else None,
            texts=(("bold", f"{item.step.who}: {self._text(item.step.do)}"),),
            lines=tuple(_lines(outcome)),
            alarms=tuple(_alarms(outcome)),
            keys=((_SPACE, "done"), (STOP, "STOP, abandon the step"), (REMARK, "remark"), (LEAVE, "leave")),
        )

    async def _settled(self, item: Item) -> None:
        """Give all devices, and the device's own log, a moment to be read once more after the act."""
        run = self._watch.runs.last(item.key)
        over_ns = self._tools.clock.now_ns() if run is None else run.done_ns
        began_ns = self._tools.clock.now_ns()
        title = "Looking at all devices once more"
        while self._tools.clock.now_ns() - began_ns < _SETTLE_S * 1e9:
            if self._is_settled(item, over_ns):
                return
            self._show(self._view(Stage.SEEN, item=item, title=title, keys=((STOP, "STOP"),)))
            await self._tick()

    def _is_settled(self, item: Item, over_ns: int) -> bool:
        """True when everything was asked again after an instant."""
        if any(track.asked_ns < over_ns for track in self._watch.tracks.values()):
            return False
        if not all(self._is_read(item, one, over_ns) for one in item.step.expect):
            return False
        track = self._watch.tracks.get(item.about)
        if track is None or not item.step.log:
            return True
        names = track.sense.profile.event_points
        return all(name in track.read and track.read[name].sent_ns > over_ns for name in names)

    def _is_read(self, item: Item, one: Expect, over_ns: int) -> bool:
        """True when what is expected was read after an instant in every device that answers."""
        signal = self._watch.plan.signal(item, one.see)
        tracks = [self._watch.tracks[tag] for tag in self._watch.plan.whose(item, one.of, signal)]
        return all(
            track.current.get(ANSWERS) == NO
            or signal not in track.seen
            or track.seen[signal].sent_ns > over_ns
            for track in tracks
        )

    # -- people --------------------------------------------------------------------------------------------

    async def _confirm(self, item: Item, confirm: Confirm) -> None:
        ask = self._text(confirm.ask)
        if confirm.kind in ("text", "time"):
            form = " (a time of day, as 14:05:09)" if confirm.kind == "time" else ""
            said = await self._typed(f"{ask}{form}, then Enter", least=1, most=120)
            self._say(AnswerTopic.VALUE, part=confirm.id, question=ask, said=said)
            return
        keys = (("y", "yes"), ("n", "no"), ("c", CANNOT_TELL), *self._ways_out())
        view = self._view(
            Stage.CONFIRM, item=item, title="Look, and say what you see.", texts=(("bold", ask),), keys=keys
        )
        key = await self._pressed("y", "n", "c", view=lambda: view)
        said = {"y": "yes", "n": "no", "c": CANNOT_TELL}[key]
        self._say(AnswerTopic.CONFIRMED, part=confirm.id, question=ask, said=said)

    async def _result(self, place: int, item: Item) -> int:
        """The result, until somebody goes on, repeats or goes back."""
        keys = (
            (_SPACE, "next"), (REPEAT, "repeat this step"), (BACK, "back one step"), (REMARK, "remark"),
            (PAUSE, "pause"), (LEAVE, "leave"),
        )  # fmt: skip
        key = await self._pressed(GO, REPEAT, BACK, view=lambda: self._result_view(item, keys))
        if key == REPEAT:
            return place
        return max(place - 1, 0) if key == BACK else place + 1

    def _result_view(self, item: Item, keys: tuple[tuple[str, str], ...]) -> View:
        outcome = self._watch.outcomes.get(item.key)
        if outcome is None:
            return self._view(Stage.RESULT, item=item, title=self._text(item.step.title), keys=keys)
        if outcome.untested:
            return self._view(
                Stage.RESULT,
                item=item,
                title=self._text(item.step.title),
                word="skipped" if outcome.run.skipped else "stopped",
                verdict=Verdict.NOT_TESTED,
                texts=(("", f"Not tested: {outcome.untested}."),),
                keys=keys,
            )
        return self._view(
            Stage.RESULT,
            item=item,
            title=self._text(item.step.title),
            word=outcome.verdict.value if outcome.verdict is not Verdict.NOT_TESTED else "open",
            verdict=outcome.verdict,
            lines=(*_lines(outcome), *_said_lines(outcome), *_log_lines(outcome)),
            alarms=tuple(_alarms(outcome)),
            keys=keys,
        )

    # -- keys ----------------------------------------------------------------------------------------------

    def _ways_out(self) -> tuple[tuple[str, str], ...]:
        return ((STOP, "STOP"), (SKIP, "skip"), (REMARK, "remark"), (PAUSE, "pause"), (LEAVE, "leave"))

    async def _pressed(self, *wanted: str, view: Callable[[], View]) -> str:
        """The first of the wanted keys that is pressed; the keys that always work are dealt with here."""
        while True:
            await self._tick()  # also for a key that is held down: polls and signals get their turns
            self._show(view())
            key = self._tools.key()
            if key is None:
                continue
            if key in wanted or (key == ENTER and GO in wanted and self.stage is Stage.RESULT):
                self._hint = ""
                return GO if key == ENTER else key
            await self._usual(key)

    async def _usual(self, key: str) -> None:
        """Keys that work on every screen."""
        watching = self.stage in (Stage.GO, Stage.SEEN)
        in_step = self._item is not None and self.stage is not Stage.RESULT
        self._hint = ""
        if key in (END, LEAVE):
            raise Left
        if key in (STOP, ESCAPE) and in_step:
            raise _Stopped
        if key == SKIP and in_step and not watching:
            await self._skip()
        elif key == PAUSE and not watching:
            await self._pause()
        elif key == REMARK:
            remark = await self._typed("Remark, then Enter (empty: none)")
            if remark:
                self._say(AnswerTopic.REMARK, remark=remark)
        elif key == PAUSE:
            self._hint = "Somebody acts now: stop the step (x) before you pause."
        else:
            self._hint = f"The key {key} means nothing here."

    async def _skip(self) -> NoReturn:
        reason = await self._typed("Why is this step skipped? Then Enter", least=1)
        self._say(AnswerTopic.SKIPPED, said=reason)
        raise _Skipped

    async def _pause(self) -> None:
        """Close all links until somebody goes on."""
        self._say(AnswerTopic.PAUSED)
        await self._tools.poll.halt()
        before = self.stage
        view = self._view(
            Stage.PAUSED,
            item=self._item,
            title="Paused. Nothing is asked meanwhile.",
            keys=((PAUSE, "go on"), (LEAVE, "leave; the record can be gone on with")),
        )
        while True:
            self._show(view)
            key = self._tools.key()
            if key in (PAUSE, GO, ENTER):
                break
            if key in (LEAVE, END):
                raise Left
            await self._tick()
        self.stage = before
        self._say(AnswerTopic.RESUMED)
        self._tools.poll.start()

    async def _typed(self, prompt: str, *, most: int = 200, least: int = 0) -> str:
        """A line of text. Escape or the stop key's own key cannot end it; leaving can."""
        line, before = TypedLine(most), self.stage
        while True:
            self._show(
                self._view(
                    Stage.TYPE, item=self._item, prompt=prompt, typed=line.text, keys=((ENTER, "that is it"),)
                )
            )
            key = self._tools.key()
            if key is None:
                await self._tick()
            elif key == END:
                raise Left
            elif line.press(key):
                if len(line.text.strip()) >= least:
                    self.stage = before
                    return line.text.strip()
                self._hint = "Something must be typed here."

    async def _tick(self) -> None:
        if self._tools.stop.is_set():
            raise Left
        if self._tools.poll.broken is not None:
            raise self._tools.poll.broken
        await asyncio.sleep(_TICK_S)

    def _show(self, view: View) -> None:
        self.stage = view.stage
        self._tools.show(replace(view, hint=self._hint))

    # -- the record ----------------------------------------------------------------------------------------

    def _say(
        self,
        topic: AnswerTopic,
        *,
        sheet: str = "",
        part: str = "",
        question: str = "",
        said: str = "",
        remark: str = "",
    ) -> None:
        """Keep what was said."""
        item = self._item
        self._tools.keep(
            OperatorAnswer(
                at_ns=self._tools.clock.now_ns(),
                sheet=sheet or (item.procedure.name if item else ""),
                item="" if sheet or item is None else item.step.id,
                part=part,
                tag="" if sheet or item is None else item.about,
                round=self._round if item else 0,
                topic=topic,
                question=question,
                said=said,
                initials=self._initials,
                remark=remark,
            )
        )

    def _abandon(self, why: str) -> None:
        """Note that the people left; a step under way is abandoned."""
        try:
            run = self._watch.runs.last(self._item.key) if self._item else None
            if run is not None and not run.is_over:
                self._say(AnswerTopic.STOPPED, said=why)
            self._item = None
            self._say(AnswerTopic.PAUSED, said=why)
        except RecordError:
            return  # what is wrong with the record is told by whoever closes it

    # -- words ---------------------------------------------------------------------------------------------

    def _text(self, text: str) -> str:
        assert self._item is not None
        return self._watch.plan.text(self._item, text)

    def _view(self, stage: Stage, *, item: Item | None = None, **facts: Any) -> View:
        """A view of this run (Any: the fields of ``View``)."""
        plan, place = self._watch.plan, ""
        if item is not None:
            place = f"step {self._items.index(item) + 1} of {len(self._items)}"
            place += f", time {self._round}" if self._round > 1 else ""
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
