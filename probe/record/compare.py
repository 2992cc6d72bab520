"""Compare: what appeared, vanished or changed between two records of a lineup.

What is measured is called changed only if the noise cannot explain it: a value with an uncertainty when the
two intervals do not touch, a reply time by a rank test, a share of lost requests by an exact test; both at
a level shared among all devices, so that a large lineup does not "change" by chance alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from pathlib import PurePosixPath

from probe.judge.context import DeviceContext
from probe.judge.expectation import subject_of
from probe.judge.identity import FIELDS, identity_of
from probe.judge.reach import is_lost
from probe.judge.run_context import RunContext
from probe.judge.two_samples import FEWEST, same_share, shift
from probe.judge.wording import milliseconds, percent, value_text
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.evidence import JUDGED, Exchange, Note, Outcome, Purpose
from probe.model.finding import WORST_FIRST, Finding, Verdict, worst
from probe.model.lineup import Lineup, SourceText
from probe.record.content import RecordContent, lineup_of

#: Chance of calling anything changed by mistake, over all devices and both tests together.
LEVEL = 0.01
#: A slowing below both of these is told to nobody; common practice, no source.
LEAST_MS, LEAST_SHARE = 2.0, 0.2
#: Quantities that only people change, and those that tell what a device is.
SETTINGS = frozenset({"setting", "rating", "scale", "address"})
STATES = frozenset({"state"})

BY_INTERVALS = "changed if the two values, each with its uncertainty, do not touch"
BY_RANKS = (
    "changed if a two-sided rank-sum test (Wilcoxon, Mann, Whitney) gives chance less than {level:.2g} "
    f"and the shift is more than {LEAST_MS:g} ms and {LEAST_SHARE:.0%} of the median"
)
BY_SHARES = "changed if Fisher's exact test gives chance less than {level:.2g}"

#: What a record holds whole beside its evidence: word, and field of its head.
_TEXTS = (("map", "map_texts"), ("profile", "profile_texts"), ("study", "study_texts"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that is not the same. kind: device, map, profile, identity, setting, state, verdict, value,
    reply time, lost requests. worse: True if it should worry, None where nobody can say. test: how noise was
    told from change, empty for what is exact.
    """

    kind: str
    subject: str
    what: str
    before: str
    after: str
    worse: bool | None = None
    test: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All changes, and what was held against each other. same: how many of a kind did not change.

    untold: what could not be compared, with the reason.
    """

    changes: tuple[Change, ...]
    same: Mapping[str, int] = field(default_factory=dict)
    untold: tuple[str, ...] = ()
    level: float = LEVEL

    @property
    def is_worse(self) -> bool:
        """True if any change should worry."""
        return any(change.worse for change in self.changes)


def compare(before: RecordContent, after: RecordContent) -> Comparison:
    """Everything that differs. Raises InputError if a record's map does not load with this version."""
    return _Comparing(before, after).compare()


class _Side:
    """One record, ready to be asked about its devices."""

    def __init__(self, content: RecordContent) -> None:
        self.content = content
        self.lineup: Lineup = lineup_of(content.header)
        self._run = RunContext(self.lineup, RunEvidence())
        self._by_tag: dict[str, list[tuple[int, Exchange]]] = {}
        for item in content.evidence.get(Exchange, ()):
            self._by_tag.setdefault(item[1].tag, []).append(item)
        self._known: dict[str, DeviceContext] = {}
        self.findings = {finding.id: finding for finding in content.findings}

    @property
    def tags(self) -> tuple[str, ...]:
        """Devices that were tested."""
        return self.content.header.scope.tags

    def device(self, tag: str) -> DeviceContext:
        """What was seen of the device; of a merged record, in the last run that got it done."""
        if tag not in self._known:
            exchanges = tuple(self._last_run_of(tag, self._by_tag.get(tag, [])))
            subject = subject_of(self.lineup, self.content.header.scope, tag)
            evidence = DeviceEvidence(tag=tag, exchanges=exchanges)
            self._known[tag] = DeviceContext(subject, evidence, self._run)
        return self._known[tag]

    def _last_run_of(self, tag: str, items: list[tuple[int, Exchange]]) -> list[tuple[int, Exchange]]:
        if not self.content.runs:
            return items
        notes = self.content.evidence.get(Note, ())
        done = [number for number, note in notes if note.topic == JUDGED and note.text == tag]
        if not done:
            return items
        run = next(r for r in self.content.runs if r.first <= max(done) < r.first + r.count)
        return [item for item in items if run.first <= item[0] < run.first + run.count]


class _Comparing:
    """Goes through everything that can be held against each other."""

    def __init__(self, before: RecordContent, after: RecordContent) -> None:
        self.before, self.after = _Side(before), _Side(after)
        kept = set(self.before.tags)
        self.tags = tuple(tag for tag in self.after.tags if tag in kept)
        self.level = LEVEL / max(1, 2 * len(self.tags))
        self.same: dict[str, int] = {}
        self.untold: list[str] = []

    def compare(self) -> Comparison:
        changes = [*self._texts(), *self._devices()]
        for tag in self.tags:
            a, b = self.before.device(tag), self.after.device(tag)
            changes += [*self._identity(a, b), *self._points(a, b)]
            changes += [*self._reply_times(a, b), *self._lost(a, b)]
        changes += self._findings()
        return Comparison(changes=tuple(changes), same=self.same, untold=tuple(self.untold), level=self.level)

    def _texts(self) -> Iterator[Change]:
        """Map and profiles: with other texts, other things may have been asked."""
        for kind, texts in _TEXTS:
            old = _hashes(getattr(self.before.content.header, texts))
            new = _hashes(getattr(self.after.content.header, texts))
            for name in dict.fromkeys((*old, *new)):
                if old.get(name) == new.get(name):
                    self._alike(kind)
                    continue
                yield Change(
                    kind=kind,
                    subject=name,
                    what=f"{kind} text",
                    before=_short(old.get(name)),
                    after=_short(new.get(name)),
                )

    def _devices(self) -> Iterator[Change]:
        old, new = set(self.before.tags), set(self.after.tags)
        for tag in self.before.tags:
            if tag not in new:
                left_out = tag in self.after.content.header.scope.left_out
                gone = "left out by the user" if left_out else "not in the map"
                yield Change(kind="device", subject=tag, what="device", before="tested", after=gone)
        for tag in self.after.tags:
            if tag not in old:
                left_out = tag in self.before.content.header.scope.left_out
                was = "left out by the user" if left_out else "not in the map"
                yield Change(kind="device", subject=tag, what="device", before=was, after="tested")

    def _identity(self, a: DeviceContext, b: DeviceContext) -> Iterator[Change]:
        old, new = identity_of(a), identity_of(b)
        for name in FIELDS:
            if name not in old or name not in new:
                continue
            if old[name].text == new[name].text:
                self._alike("identity")
            else:
                yield Change(
                    kind="identity",
                    subject=b.tag,
                    what=name,
                    before=old[name].text,
                    after=new[name].text,
                    worse=True,
                )

    def _points(self, a: DeviceContext, b: DeviceContext) -> Iterator[Change]:
        """Settings and states, by their last good reading."""
        for point in b.profile.points:
            kind = "setting" if point.quantity in SETTINGS else "state" if point.quantity in STATES else ""
            if not kind or point.name not in a.profile.by_name:
                continue
            old, new = a.latest(point.name), b.latest(point.name)
            if old is None or new is None:
                continue
            words = value_text(a.profile.by_name[point.name], old.value), value_text(point, new.value)
            if words[0] == words[1]:
                self._alike(kind)
                continue
            unit = f" {point.unit}" if point.unit else ""
            yield Change(
                kind=kind,
                subject=b.tag,
                what=point.title,
                before=words[0] + unit,
                after=words[1] + unit,
                worse=True if kind == "setting" else None,
            )

    def _reply_times(self, a: DeviceContext, b: DeviceContext) -> Iterator[Change]:
        old, new = _replies_ms(a), _replies_ms(b)
        found = shift(old, new)
        if found is None:
            if old and new:
                self.untold.append(f"reply time of {b.tag}: fewer than {FEWEST} values on a side")
            return
        middle = sorted(old)[len(old) // 2]
        if found.share >= self.level or abs(found.middle) <= max(LEAST_MS, LEAST_SHARE * middle):
            self._alike("reply time")
            return
        low, high = found.bounds
        yield Change(
            kind="reply time",
            subject=b.tag,
            what="median reply time",
            before=f"{milliseconds(middle * 1e6)} ms ({len(old)} values)",
            after=(
                f"{milliseconds(sorted(new)[len(new) // 2] * 1e6)} ms ({len(new)} values), "
                f"shift {found.middle:+.1f} ms ({low:+.1f} to {high:+.1f} at 95 %)"
            ),
            worse=found.middle > 0,
            test=BY_RANKS.format(level=self.level),
        )

    def _lost(self, a: DeviceContext, b: DeviceContext) -> Iterator[Change]:
        old, new = _lost(a), _lost(b)
        if not old[1] or not new[1]:
            return
        if same_share(*old, *new) >= self.level:
            self._alike("lost requests")
            return
        worse = new[0] / new[1] > old[0] / old[1]
        yield Change(
            kind="lost requests",
            subject=b.tag,
            what="share of requests without an answer",
            before=f"{percent(old[0] / old[1])} % ({old[0]} of {old[1]})",
            after=f"{percent(new[0] / new[1])} % ({new[0]} of {new[1]})",
            worse=worse,
            test=BY_SHARES.format(level=self.level),
        )

    def _findings(self) -> Iterator[Change]:
        """Verdicts check by check, and values with an uncertainty within the same verdict."""
        common = set(self.tags)
        old, new = self.before.findings, self.after.findings
        for name in dict.fromkeys((*new, *old)):
            a, b = old.get(name), new.get(name)
            subject = (a or b).subject  # type: ignore[union-attr] # one of the two is there
            on_device = subject in self.before.lineup.map.by_tag or subject in self.after.lineup.map.by_tag
            if on_device and subject not in common:
                continue  # told as a device that came or went
            if change := self._finding(name, a, b):
                yield change

    def _finding(self, name: str, a: Finding | None, b: Finding | None) -> Change | None:
        if a is None or b is None:
            return self._came_or_went(name, a, b)
        if a.verdict is b.verdict:
            return self._value(name, a, b)
        worse = WORST_FIRST.index(b.verdict) < WORST_FIRST.index(a.verdict)
        return Change(
            kind="verdict", subject=b.subject, what=name, before=_said(a), after=_said(b), worse=worse
        )

    def _came_or_went(self, name: str, a: Finding | None, b: Finding | None) -> Change | None:
        """A finding that only one record has. A pass that came or went by name only is no news."""
        shown = a or b
        if shown is None or shown.verdict is Verdict.PASS:
            return None
        other = self.after if b is None else self.before
        group = [f.verdict for f in other.findings.values() if _group(f) == _group(shown)]
        there = worst(group).value if group else "not looked at"
        said = f"this is not among what was found ({shown.check} as a whole: {there})"
        return Change(
            kind="verdict",
            subject=shown.subject,
            what=name,
            before=said if a is None else _said(a),
            after=said if b is None else _said(b),
            worse=b is not None and b.verdict is not Verdict.REVIEW,
        )

    def _value(self, name: str, a: Finding, b: Finding) -> Change | None:
        """A number with an uncertainty that moved further than both uncertainties together."""
        numbers = [_number(text) for text in (a.observed, a.uncertainty, b.observed, b.uncertainty)]
        if a.unit != b.unit or any(number is None for number in numbers):
            self._alike("verdict")
            return None
        old, old_width, new, new_width = (number or Decimal(0) for number in numbers)
        if abs(new - old) <= old_width + new_width:
            self._alike("value")
            return None
        return Change(
            kind="value",
            subject=b.subject,
            what=name,
            before=f"{a.observed} ± {a.uncertainty} {a.unit}".strip(),
            after=f"{b.observed} ± {b.uncertainty} {b.unit}".strip(),
            test=BY_INTERVALS,
        )

    def _alike(self, kind: str) -> None:
        self.same[kind] = self.same.get(kind, 0) + 1


def _hashes(texts: Iterable[SourceText]) -> Mapping[str, str]:
    """SHA-256 by file name; the folder that a file lay in tells nothing of what is in it."""
    return {PurePosixPath(text.name.replace("\\", "/")).name: text.sha256 for text in texts}


def _short(sha256: str | None) -> str:
    return "not there" if sha256 is None else f"SHA-256 {sha256[:12]}"


def _group(finding: Finding) -> tuple[str, str]:
    return finding.check, finding.subject


def _said(finding: Finding) -> str:
    seen = f": {finding.observed} {finding.unit}".rstrip() if finding.observed else ""
    return f"{finding.verdict.value}, {finding.title}{seen}"


def _number(text: str) -> Decimal | None:
    """The number that the text is, exactly as written; None for words."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        return None
    return number if number.is_finite() else None


def _replies_ms(context: DeviceContext) -> list[float]:
    """Reply times of polls that were answered with data at the first attempt."""
    return [
        exchange.reply_ns / 1e6
        for _, exchange in context.sent
        if exchange.purpose is Purpose.POLL and exchange.outcome is Outcome.DATA and exchange.attempt == 1
    ]


def _lost(context: DeviceContext) -> tuple[int, int]:
    """Requests that nothing came back to, and all that were sent."""
    return sum(is_lost(exchange) for _, exchange in context.sent), len(context.sent)
