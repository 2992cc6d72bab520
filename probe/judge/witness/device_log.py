"""The device's own event log beside what was seen: entries, their order, their stamps by the device's clock.

A stamp means something only beside the clock that made it. The clock was read in the run; so each stamp is
corrected by how far that clock was off, with both uncertainties, and then it must lie in the interval in
which the change was seen.

    shown <= device's time at reading < shown + resolution      (a clock shows what has passed)
    off by: [shown - wall(received), shown + resolution - wall(sent)]
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from itertools import pairwise

from probe.judge.limit import Interval
from probe.judge.witness.expect import between
from probe.judge.witness.outcome import Event, Logged
from probe.judge.witness.track import Change, Track
from probe.judge.zone import clock_instant
from probe.model.finding import Verdict
from probe.model.reading import Quality

WallSeconds = Callable[[int], float | None]


class LogReader:
    """Reads one device's log out of its track. wall_s: run time to Unix seconds. zone: the map's."""

    def __init__(self, track: Track, zone: str, wall_s: WallSeconds) -> None:
        self._track = track
        self._zone = zone
        self._wall_s = wall_s
        self._profile = track.sense.profile

    @property
    def has_log(self) -> bool:
        """True if the type of device has an event log that can be read."""
        return bool(self._profile.events)

    def clock_off(self) -> Interval | None:
        """How far the device's clock stood from this computer's when read last, seconds; None unknown."""
        rule = self._profile.clock
        if rule is None or rule.point not in self._track.read:
            return None
        sample = self._track.read[rule.point]
        sent_s, received_s = self._wall_s(sample.sent_ns), self._wall_s(sample.received_ns)
        value, quality = self._track.values[rule.point]
        if quality is not Quality.GOOD or sent_s is None or received_s is None:
            return None
        instant = clock_instant(float(value), rule, self._zone, received_s)
        if instant is None:
            return None
        return Interval(instant - received_s, instant + rule.resolution_s - sent_s)

    def events(self) -> list[Event]:
        """The entries of the log that are filled, oldest first."""
        rule, values = self._profile.clock, self._track.values
        off = self.clock_off()
        found = []
        for event in self._profile.events:
            shown = [values.get(name) for name in event.points()]
            if any(one is None or one[1] is not Quality.GOOD for one in shown):
                continue
            number, code, stamp = (one[0] for one in shown if one is not None)
            sample = self._track.read[event.number]
            if not isinstance(number, int) or number == 0 or rule is None:
                continue
            near_s = self._wall_s(sample.received_ns)
            instant = clock_instant(float(stamp), rule, self._zone, near_s)
            low_s = high_s = float("nan")
            if instant is not None and off is not None:
                low_s, high_s = instant - off.high, instant + rule.resolution_s - off.low
            words = self._profile.by_name[event.code].values
            found.append(
                Event(
                    tag=self._track.tag,
                    number=number,
                    what=words.get(int(code), str(code)) if isinstance(code, int) else str(code),
                    stamp=_stamp_words(float(stamp)),
                    low_s=low_s,
                    high_s=high_s,
                    sequence=sample.sequence,
                )
            )
        return sorted(found, key=lambda one: one.number)


def compare(
    reader: LogReader, known: Sequence[Event], changes: Sequence[Change], wall_s: WallSeconds
) -> Logged:
    """The device's entries of a step beside what was seen of it. known: the log before the go."""
    if not reader.has_log:
        return Logged(
            verdict=Verdict.NOT_TESTED, title="this type of device has no event log that can be read"
        )
    before = max((event.number for event in known), default=0)
    events = [event for event in reader.events() if event.number > before]
    evidence = tuple(dict.fromkeys(event.sequence for event in events))
    if not changes:
        return Logged(
            verdict=Verdict.NOT_TESTED, title="nothing of the device was seen to change", events=tuple(events)
        )
    if not events:
        return Logged(
            verdict=Verdict.FAIL,
            title="the device's own log has no entry for what was seen",
            observed=f"no entry behind number {before}",
            expected="an entry",
            evidence=changes[0].evidence,
        )
    return _placed(events, changes, wall_s, evidence)


def _placed(
    events: Sequence[Event], changes: Sequence[Change], wall_s: WallSeconds, evidence: tuple[int, ...]
) -> Logged:
    """Whether the stamps of the entries lie where the changes were seen."""
    first = events[0]
    spans = [(wall_s(c.low_ns), wall_s(c.high_ns)) for c in changes]
    seen = [Interval(low, high) for low, high in spans if low is not None and high is not None]
    if first.low_s != first.low_s or not seen:  # NaN: nothing to compare with
        what = "the device's clock could not be read beside its log"
        return Logged(verdict=Verdict.REVIEW, title=what, events=tuple(events), evidence=evidence)
    fits = [one for one in seen if one.low <= first.high_s and first.low_s <= one.high]
    nearest = min(seen, key=lambda one: abs(one.middle - (first.low_s + first.high_s) / 2))
    off = Interval(first.low_s - nearest.high, first.high_s - nearest.low)
    stamp = f"{first.what}, stamped {first.stamp}"
    if fits:
        late = Interval(max(0.0, fits[0].low - first.high_s), fits[0].high - first.low_s)
        return Logged(
            verdict=Verdict.PASS,
            title="the device's own log agrees with what was seen",
            observed=stamp,
            events=tuple(events),
            evidence=evidence,
            report_s=f"{between(late)} from the device's stamp until it was seen here",
        )
    return Logged(
        verdict=Verdict.FAIL,
        title="the device's own stamp does not fit what was seen, also after its clock's error",
        observed=f"{stamp}; {off.low:+.2f} to {off.high:+.2f} s from what was seen",
        expected="a stamp within the interval in which the change was seen",
        events=tuple(events),
        evidence=evidence,
    )


def whole(reader: LogReader) -> Logged:
    """The log as a whole: readable, numbers without gaps, times that do not fall; a baseline to hand over."""
    if not reader.has_log:
        return Logged(
            verdict=Verdict.NOT_TESTED, title="this type of device has no event log that can be read"
        )
    events = reader.events()
    evidence = tuple(dict.fromkeys(event.sequence for event in events))
    if not events:
        return Logged(verdict=Verdict.PASS, title="the event log is empty", observed="0 entries")
    gaps = [b.number for a, b in pairwise(events) if b.number != a.number + 1]
    falls = [b.number for a, b in pairwise(events) if b.high_s < a.low_s]
    wrong = "; ".join(
        filter(
            None,
            (
                f"numbers are missing before {gaps[0]}" if gaps else "",
                f"entry {falls[0]} is stamped earlier than the one before" if falls else "",
            ),
        )
    )
    last = events[-1]
    return Logged(
        verdict=Verdict.FAIL if wrong else Verdict.PASS,
        title=wrong or "the event log can be read and is in order",
        observed=f"{len(events)} entries; the last is {last.number}: {last.what}, {last.stamp}",
        expected="numbers without gaps, times that do not fall",
        events=tuple(events),
        evidence=evidence,
    )


def _stamp_words(shown_s: float) -> str:
    try:
        return datetime.fromtimestamp(shown_s, UTC).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]
    except (OverflowError, OSError, ValueError):
        return "no possible date"
