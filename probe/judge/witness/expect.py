"""One expectation on one device, held against what its track shows of the step so far."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from probe.judge.limit import Interval, within
from probe.judge.witness.outcome import Kind, Outcome
from probe.judge.witness.sense import SignalValue
from probe.judge.witness.track import Change, Track
from probe.judge.wording import span
from probe.model.finding import Verdict
from probe.model.procedure import Expect
from probe.model.signal_words import Signal

SECOND_NS = 1_000_000_000


class Span(NamedTuple):
    """Of a step: from the go to its end; is_over: nothing more will be seen."""

    begun_ns: int
    ready_ns: int
    end_ns: int
    is_over: bool


class Anchored(NamedTuple):
    """What an expectation is timed from: the go, or another outcome. name: in words."""

    name: str
    low_ns: int
    high_ns: int
    seen: bool


class Terms(NamedTuple):
    """Times of an expectation in seconds, None for no limit. followers: values that later expectations of the
    step ask of the same signal: it may go on to those."""

    within_s: float | None
    stays_s: float | None
    followers: frozenset[str] = frozenset()


def judge(one: Expect, signal: Signal, track: Track, step: Span, anchor: Anchored, terms: Terms) -> Outcome:
    """What became of the expectation."""
    return _Case(one, signal, track, step, anchor, terms).outcome()


class _Case:
    """One expectation on one device while it is judged."""

    def __init__(
        self, one: Expect, signal: Signal, track: Track, step: Span, anchor: Anchored, terms: Terms
    ) -> None:
        self.one, self.signal, self.track, self.step = one, signal, track, step
        self.anchor, self.terms = anchor, terms
        self.before = track.at(signal, step.ready_ns)
        self.changes = [
            c for c in track.during(step.ready_ns) if c.signal == signal and c.low_ns < step.end_ns
        ]

    def outcome(self) -> Outcome:
        """See ``judge``."""
        last = self.track.seen.get(self.signal)
        if self.before is None or last is None or last.received_ns < self.step.ready_ns:
            return self._waits() or self._made(Kind.UNREAD, "was not read during the step")
        way = self.one.way
        if way == "becomes":
            return self._becomes(str(self.one.becomes))
        if way == "remains":
            return self._remains(str(self.one.remains))
        if way == "ends":
            return self._ends(str(self.one.ends))
        return self._number(way)

    # -- words ----------------------------------------------------------------------------------------------

    def _becomes(self, wanted: str) -> Outcome:
        arrivals = [c for c in self.changes if c.after == wanted]
        if not arrivals:
            return self._never(wanted)
        first = arrivals[0]
        order = self._order(first)
        if order is not None:
            return order
        after = [c for c in self.changes if c.low_ns >= first.low_ns and c is not first and _is_word(c, self)]
        if len(arrivals) > 1:
            what = f"became {wanted} {len(arrivals)} times: {self._story()}"
            return self._made(Kind.TWICE, what, first)
        strays = [c for c in after if c.after not in self.terms.followers]
        if strays and not self._may_end(first, strays[0]):
            return self._made(Kind.NOT_HELD, f"became {wanted}, then {strays[0].after}", first)
        return self._stays(first, wanted) or self._in_time(first, f"became {wanted}")

    def _may_end(self, first: Change, after: Change) -> bool:
        """True if it had to stay for a time only, and did."""
        stays_s = self.terms.stays_s
        return stays_s is not None and after.low_ns - first.high_ns >= stays_s * SECOND_NS

    def _never(self, wanted: str) -> Outcome:
        others = [c for c in self.changes if _is_word(c, self)]
        if others:
            return self._made(Kind.WRONG, f"became {others[-1].after}, not {wanted}", others[-1])
        early = [
            c
            for c in self.track.during(self.step.begun_ns)
            if c.signal == self.signal and c.after == wanted and c.high_ns <= self.step.ready_ns
        ]
        if early:
            return self._made(Kind.EARLY, f"became {wanted} before the go", early[-1])
        return self._waits() or self._made(Kind.NOTHING, f"stayed {self._shown(self.before)}")

    def _stays(self, first: Change, wanted: str) -> Outcome | None:
        """What is wrong with how long it stayed; None if nothing is."""
        stays_s = self.terms.stays_s
        if stays_s is None:
            return None
        seen_s = (self.track.seen[self.signal].sent_ns - first.high_ns) / SECOND_NS
        if seen_s >= stays_s:
            return None
        what = f"{wanted} for {span(max(seen_s, 0.0))} of {span(stays_s)}"
        if not self.step.is_over:
            return self._made(Kind.WAITING, what, first)
        return self._made(Kind.UNREAD, f"{what}: the step was ended too soon", first)

    def _remains(self, wanted: str) -> Outcome:
        away = [c for c in self.changes if c.after != wanted]
        if away or self.before != wanted:
            what = f"became {away[0].after}" if away else f"was {self._shown(self.before)} from the start"
            return self._made(Kind.NOT_HELD, what, away[0] if away else None)
        if not self.step.is_over:
            return self._made(Kind.HOLDING, f"{wanted} so far")
        return self._made(Kind.SEEN, f"stayed {wanted}")

    def _ends(self, wanted: str) -> Outcome:
        now = self._shown(self.track.current.get(self.signal))
        if now == wanted:
            return self._made(
                Kind.SEEN if self.step.is_over else Kind.HOLDING, f"stands at {now}", self._first()
            )
        kind = Kind.WRONG if self.step.is_over else Kind.WAITING
        return self._made(kind, f"stands at {now}, not {wanted}", self._first())

    # -- numbers --------------------------------------------------------------------------------------------

    def _number(self, way: str) -> Outcome:
        now = self.track.current.get(self.signal)
        if not isinstance(now, float) or not isinstance(self.before, float):
            return self._made(Kind.UNREAD, f"shows {self._shown(now)}, which is no number")
        shown = f"{self._shown(self.before)} → {self._shown(now)}"
        if way in ("above", "below"):
            limit = self.one.above if way == "above" else self.one.below
            assert limit is not None
            held = now > limit if way == "above" else now < limit
            return self._reached(held, self._shown(now), shown)
        rise = now - self.before
        if way == "rises" and self.one.rises not in (None, "any"):
            wanted = float(str(self.one.rises))
            if rise > wanted:
                return self._made(Kind.TWICE, f"rose by {rise:g}, not {wanted:g}: {shown}", self._first())
            return self._reached(rise == wanted, f"rose by {rise:g}", shown)
        return self._reached(rise > 0 if way == "rises" else rise < 0, shown, shown)

    def _reached(self, held: bool, observed: str, shown: str) -> Outcome:
        first = self._first()
        if held:
            return self._in_time(first, observed) if first is not None else self._made(Kind.SEEN, observed)
        return self._waits() or self._made(Kind.NOTHING if first is None else Kind.WRONG, shown, first)

    def _first(self) -> Change | None:
        return self.changes[0] if self.changes else None

    # -- time -----------------------------------------------------------------------------------------------

    def _order(self, change: Change) -> Outcome | None:
        """What is wrong with the order; None if nothing is, or if polls cannot tell."""
        if self.one.after is None:
            return None
        if not self.anchor.seen:
            what = f"came, though {self.anchor.name} was not seen"
            return self._made(Kind.UNSURE, what, change)
        if change.high_ns < self.anchor.low_ns:
            return self._made(Kind.ORDER, f"came before {self.anchor.name}", change)
        return None

    def _in_time(self, change: Change, observed: str) -> Outcome:
        lag = Interval(
            max(0.0, (change.low_ns - self.anchor.high_ns) / SECOND_NS),
            max(0.0, (change.high_ns - self.anchor.low_ns) / SECOND_NS),
        )
        timing = f"{between(lag)} after {self.anchor.name}"
        verdict = Verdict.PASS
        if self.terms.within_s is not None:
            verdict = within(lag, None, self.terms.within_s)
        kind = {Verdict.PASS: Kind.SEEN, Verdict.FAIL: Kind.LATE}.get(verdict, Kind.UNSURE)
        return self._made(kind, observed, change, timing)

    def _waits(self) -> Outcome | None:
        """The outcome of an expectation that may still come; None once its time is over."""
        if self.step.is_over:
            return None
        return self._made(Kind.WAITING, f"{self._shown(self.before)} so far")

    # -- words of the outcome -------------------------------------------------------------------------------

    def _story(self) -> str:
        return " → ".join([self._shown(self.before), *(self._shown(c.after) for c in self.changes)])

    def _shown(self, value: SignalValue | None) -> str:
        if value is None:
            return "unknown"
        return f"{value:g}" if isinstance(value, float) else value

    def _made(self, kind: Kind, observed: str, change: Change | None = None, timing: str = "") -> Outcome:
        last = self.track.seen.get(self.signal)
        return Outcome(
            tag=self.track.tag,
            id=self.one.id or "",
            kind=kind,
            title=f"{self.track.tag}: {self.track.sense.title(self.signal)}",
            expected=expected_words(self.one, self.terms, self.anchor.name),
            observed=observed,
            signal=self.signal,
            timing=timing,
            low_ns=change.low_ns if change else 0,
            high_ns=change.high_ns if change else 0,
            evidence=change.evidence if change else (last.sequence,) if last else (),
        )


def _is_word(change: Change, case: _Case) -> bool:
    """False for values on the way, as a breaker that is moving."""
    words = case.signal.words
    return not words or change.after in words


def between(seconds: Interval) -> str:
    """An interval of seconds in words."""
    return f"{seconds.low:.2f} to {seconds.high:.2f} s"


def expected_words(one: Expect, terms: Terms, anchor: str) -> str:
    """What is asked for, in words."""
    wanted = {
        "becomes": f"becomes {one.becomes}",
        "remains": f"stays {one.remains}",
        "ends": f"stands at {one.ends} in the end",
        "rises": "rises" if one.rises == "any" else f"rises by {one.rises}",
        "falls": "falls",
        "above": f"above {one.above}",
        "below": f"below {one.below}",
    }[one.way]
    limits = [
        f"within {span(terms.within_s)} of {anchor}" if terms.within_s is not None else "",
        f"stays for {span(terms.stays_s)}" if terms.stays_s is not None else "",
    ]
    return ", ".join(filter(None, (wanted, *limits)))


def missing(one: Expect, terms: Terms, tags: Sequence[str], signal: Signal) -> Outcome:
    """The outcome of an expectation that no device of this run can show."""
    return Outcome(
        tag=tags[0] if tags else "",
        id=one.id or "",
        kind=Kind.UNREAD,
        title=f"{', '.join(tags) or one.of}: {signal.title}",
        expected=expected_words(one, terms, "the go"),
        observed="no device of this run shows it by its profile",
    )
