"""Session: leads people through a procedure, step by step, key by key; everything said goes to the record.

    read cautions -> acknowledge each -> read the step -> go -> watch -> done -> confirm -> result -> next

The record is the state: where the work stands follows from the answers in it, so that it can be left and gone
on with at any time, also after a crash. Nothing that was said is taken back; a step that is repeated begins
anew, and the former round stays where it is.
"""

from __future__ import annotations

from dataclasses import replace

from probe.cli.witness_talk import Left, Skipped, Stopped, Talk, Tools
from probe.judge.witness.confirm import CANNOT_TELL
from probe.judge.witness.outcome import Kind, StepOutcome
from probe.judge.witness.plan import Item
from probe.judge.witness.track import ANSWERS
from probe.model.errors import RecordError
from probe.model.evidence import AnswerTopic
from probe.model.procedure import Confirm, Expect
from probe.model.signal_words import NO
from probe.present.witness.pages import BACK, CLOSE, GO, REPEAT, WAYS_OUT, Turn

#: How long the device's own log is waited for once an act is over.
_SETTLE_S = 3.0
#: How long the devices of a step are waited for before the go is offered without them.
_FIRST_READING_S = 6.0


class Session:
    """See module. initials: of who works the keys; asked for if empty."""

    def __init__(self, tools: Tools, initials: str = "") -> None:
        self._tools = tools
        self._watch = tools.watch
        self._items = tools.watch.plan.items
        self._talk = Talk(tools, initials)
        self._pages = self._talk.pages

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
        talk = self._talk
        if not talk.initials:
            talk.initials = await talk.typed(
                "Initials of whoever works the keys, then Enter", most=8, least=1
            )
        if any(run for runs in self._watch.runs.by_key.values() for run in runs):
            talk.say(AnswerTopic.RESUMED)
        self._interrupted()
        for procedure in self._watch.plan.procedures:
            item = next((one for one in self._items if one.procedure is procedure), None)
            if item is None:
                continue
            for caution in self._watch.general_cautions(item):
                if (procedure.name, caution.id) in self._watch.runs.acknowledged:
                    continue
                await self._acknowledge(caution.text, item, procedure.title, procedure.purpose)
                talk.say(
                    AnswerTopic.ACKNOWLEDGED, sheet=procedure.name, part=caution.id, question=caution.text
                )

    def _interrupted(self) -> None:
        """A step that a crash cut off is done again from its beginning."""
        for item in self._items:
            run = self._watch.runs.last(item.key)
            if run is not None and not run.is_over:
                self._talk.turn = Turn(item, run.round)
                self._talk.say(AnswerTopic.STOPPED, said="the program ended before the step was over")
        self._talk.turn = Turn()

    def _first_open(self) -> int:
        """Number of the first step that has no result: where the work goes on."""
        for number, item in enumerate(self._items):
            run = self._watch.runs.last(item.key)
            if run is None or not run.is_over or run.stopped:
                return number
        return len(self._items)

    async def _end(self) -> int:
        """The last screen; -1 to close the record, otherwise the step to go back to."""
        self._talk.turn = Turn()
        key = await self._talk.pressed(CLOSE, BACK, view=self._pages.end)
        return -1 if key == CLOSE else max(len(self._items) - 1, 0)

    # -- one step ------------------------------------------------------------------------------------------

    async def _one(self, place: int) -> int:
        """Do one step; the number of the next one."""
        item, talk = self._items[place], self._talk
        last = self._watch.runs.last(item.key)
        if last is not None:
            talk.turn = Turn(item, last.round)
            talk.say(AnswerTopic.REPEATED)
        talk.turn = Turn(item, 1 if last is None else last.round + 1)
        talk.say(AnswerTopic.BEGUN, question=self._pages.words(item, item.step.do))
        try:
            await self._step(item)
        except Stopped:
            talk.say(AnswerTopic.STOPPED)
        except Skipped:
            pass
        self._tools.poll.rest()
        return await self._result(place, item)

    async def _step(self, item: Item) -> None:
        self._tools.poll.prepare(item)
        for caution in self._watch.cautions(item):
            await self._acknowledge(caution.text, item, f"Before: {self._pages.words(item, item.step.title)}")
            self._talk.say(AnswerTopic.ACKNOWLEDGED, part=caution.id, question=caution.text)
        await self._read(item)
        self._talk.say(AnswerTopic.READY)
        self._tools.poll.attend(item)
        self._tools.on_go(item, self._talk.turn.round)
        await self._watching(item)
        self._talk.say(AnswerTopic.DONE)
        for confirm in item.step.confirm:
            await self._confirm(item, confirm)
        await self._settled(item)
        self._talk.say(AnswerTopic.ENDED)

    async def _acknowledge(self, text: str, item: Item, about: str, purpose: str = "") -> None:
        view = self._pages.caution(Turn(item, self._talk.turn.round), text, about, purpose)
        began_ns = self._tools.clock.now_ns()
        while True:
            await self._talk.pressed("a", view=lambda: view)
            if self._tools.clock.now_ns() - began_ns >= self._tools.read_s * 1e9:
                return
            self._talk.hint = "Read it first: a key that was pressed before counts for nothing."

    async def _read(self, item: Item) -> None:
        """What is to be done, until everybody is ready and the gear stands as it must."""
        await self._first_readings(item)
        round_ = self._talk.turn.round
        while True:
            await self._talk.pressed(GO, view=lambda: self._pages.read(item, round_))
            unmet = self._watch.unmet(item)
            if not unmet:
                return
            self._talk.hint = f"It does not stand as it must: {unmet[0]}"

    async def _first_readings(self, item: Item) -> None:
        """Offer no go before it is known how every device stands, or that it cannot be read."""
        talk, began_ns = self._talk, self._tools.clock.now_ns()
        while (unread := self._unread()) and self._tools.clock.now_ns() - began_ns < _FIRST_READING_S * 1e9:
            kept = talk.hint
            talk.hint = f"Wait: {len(unread)} devices are not read yet ({', '.join(unread[:3])})"
            talk.show(replace(self._pages.read(item, talk.turn.round), keys=WAYS_OUT))
            talk.hint = kept
            await talk.tick()
            key = self._tools.key()
            if key is not None and key != GO:
                await talk.usual(key)

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

    # -- watching ------------------------------------------------------------------------------------------

    async def _watching(self, item: Item) -> None:
        """Expected against seen, until somebody says that it is over."""
        round_, warned = self._talk.turn.round, False
        while True:
            await self._talk.pressed(GO, view=lambda: self._pages.watching(item, round_, self._outcome(item)))
            waiting = [one for one in self._outcome(item).outcomes if one.kind is Kind.WAITING]
            if not waiting or warned:
                return
            warned = True
            self._talk.hint = f"Not seen yet: {waiting[0].title}. Space again ends the watching all the same."

    def _outcome(self, item: Item) -> StepOutcome:
        run = self._watch.runs.last(item.key)
        assert run is not None  # it was begun
        self._watch.now_ns = max(self._watch.now_ns, self._tools.clock.now_ns())
        return self._watch.outcome(item, run)

    async def _settled(self, item: Item) -> None:
        """Give all devices, and the device's own log, a moment to be read once more after the act."""
        run = self._watch.runs.last(item.key)
        over_ns = self._tools.clock.now_ns() if run is None else run.done_ns
        began_ns = self._tools.clock.now_ns()
        while self._tools.clock.now_ns() - began_ns < _SETTLE_S * 1e9:
            if self._is_settled(item, over_ns):
                return
            self._talk.show(self._pages.settling(item, self._talk.turn.round))
            await self._talk.tick()

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
        talk, ask = self._talk, self._pages.words(item, confirm.ask)
        if confirm.kind in ("text", "time"):
            form = " (a time of day, as 14:05:09)" if confirm.kind == "time" else ""
            said = await talk.typed(f"{ask}{form}, then Enter", least=1, most=120)
            talk.say(AnswerTopic.VALUE, part=confirm.id, question=ask, said=said)
            return
        view = self._pages.confirm(item, talk.turn.round, confirm)
        key = await talk.pressed("y", "n", "c", view=lambda: view)
        said = {"y": "yes", "n": "no", "c": CANNOT_TELL}[key]
        talk.say(AnswerTopic.CONFIRMED, part=confirm.id, question=ask, said=said)

    async def _result(self, place: int, item: Item) -> int:
        """The result, until somebody goes on, repeats or goes back."""
        round_ = self._talk.turn.round
        key = await self._talk.pressed(GO, REPEAT, BACK, view=lambda: self._pages.result(item, round_))
        if key == REPEAT:
            return place
        return max(place - 1, 0) if key == BACK else place + 1

    def _abandon(self, why: str) -> None:
        """Note that the people left; a step under way is abandoned."""
        talk = self._talk
        try:
            run = self._watch.runs.last(talk.turn.item.key) if talk.turn.item else None
            if run is not None and not run.is_over:
                talk.say(AnswerTopic.STOPPED, said=why)
            talk.turn = Turn()
            talk.say(AnswerTopic.PAUSED, said=why)
        except RecordError:
            return  # what is wrong with the record is told by whoever closes it
