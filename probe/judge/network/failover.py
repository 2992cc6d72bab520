"""Checks on link-loss tests: how long replies stayed out when a link was lost and when it came back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from probe.judge.check import LineupCheck, Need
from probe.judge.limit import within
from probe.judge.lineup_context import LineupContext
from probe.judge.network.outage import Numbered, Outage, Usual, longest_outage, usual
from probe.judge.wording import count, some, span
from probe.model.evidence import Evidence
from probe.model.failover_evidence import Beat, LinkAct, LinkStep, Means
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.map_network import Limit
from probe.model.scope import Scope

_MEMORY = "network: link-loss tests"
#: So many answers before the link is touched show that a device answers at all; common practice, no source.
ENOUGH = 5


class Phase(NamedTuple):
    """A stretch of a test: "lost" from the order to pull to that to plug, "back" from there to its end."""

    word: str
    start_ns: int
    end_ns: int


class Trial(NamedTuple):
    """One test of one link. beats: by tag and means. reason: why it came to nothing, empty if it did."""

    link: str
    steps: Mapping[LinkAct, tuple[int, LinkStep]]
    beats: Mapping[tuple[str, Means], tuple[Numbered, ...]]
    reason: str

    @property
    def phases(self) -> tuple[Phase, ...]:
        """The stretches of the test that were gone through."""
        at = {act: step.at_ns for act, (_, step) in self.steps.items()}
        end = at.get(LinkAct.ENDED, 2**62)
        found = []
        if LinkAct.PULL in at and LinkAct.PULLED in at:
            found.append(Phase("lost", at[LinkAct.PULL], at.get(LinkAct.PLUG, end)))
        if LinkAct.PLUG in at and LinkAct.PLUGGED in at:
            found.append(Phase("back", at[LinkAct.PLUG], end))
        return tuple(found)

    def before(self, key: tuple[str, Means]) -> Usual:
        """How a device answered before the link was touched."""
        pull = self.steps.get(LinkAct.PULL)
        limit_ns = pull[1].at_ns if pull is not None else 2**62
        return usual([item for item in self.beats[key] if item[1].received_ns < limit_ns])

    def outage(self, key: tuple[str, Means], phase: Phase) -> Outage | None:
        """The longest silence of a device in a stretch; None if it was not asked then."""
        return longest_outage(self.beats[key], self.before(key), phase.start_ns, phase.end_ns)


def trials(context: LineupContext) -> Mapping[str, Trial]:
    """The tests of a run by link; worked out once."""
    known = context.memory.get(_MEMORY)
    if known is None:
        known = gathered(context.run.network)
        context.memory[_MEMORY] = known
    return known


def gathered(evidence: Iterable[tuple[int, Evidence]]) -> dict[str, Trial]:
    """The tests that evidence speaks of, by link. Of a link that was tested again, the last time counts."""
    steps: dict[str, dict[LinkAct, tuple[int, LinkStep]]] = {}
    beats: dict[str, dict[tuple[str, Means], list[Numbered]]] = {}
    for number, one in evidence:
        if isinstance(one, LinkStep):
            if one.act is LinkAct.ASKED:
                steps[one.link], beats[one.link] = {}, {}
            steps.setdefault(one.link, {})[one.act] = (number, one)
        elif isinstance(one, Beat):
            beats.setdefault(one.link, {}).setdefault((one.tag, one.means), []).append((number, one))
    return {
        link: Trial(
            link,
            found,
            {key: tuple(sorted(row, key=_when)) for key, row in beats.get(link, {}).items()},
            _reason(found),
        )
        for link, found in steps.items()
    }


def _when(item: Numbered) -> int:
    return item[1].sent_ns


def _reason(steps: Mapping[LinkAct, tuple[int, LinkStep]]) -> str:
    if LinkAct.SKIPPED in steps:
        return "nobody agreed to pull it"
    if LinkAct.STOPPED in steps:
        return "the test was broken off"
    return "" if LinkAct.PULLED in steps else "the run ended before it was pulled"


# --- checks ------------------------------------------------------------------------------------------------


def _wanted(lineup: Lineup, scope: Scope) -> Iterable[str]:
    return ("lineup",) if scope.survey is not None and scope.survey.failover else ()


def _each(check: LineupCheck, context: LineupContext) -> Iterator[tuple[str, Trial] | Finding]:
    """Each link that was to be tested: with its test, or with why there is none."""
    assert context.scope.survey is not None
    for name in context.scope.survey.failover:
        trial = trials(context).get(name)
        reason = "the run ended before its turn" if trial is None else trial.reason
        if trial is None or reason:
            yield check.untested("lineup", f"link {name}: {reason}", point=name)
        else:
            yield name, trial


def _limit_of(context: LineupContext, name: str) -> Limit | None:
    return next((link.limit for link in context.map.links if link.name == name), None)


_TITLES = {"lost": "when link {} was lost", "back": "when link {} came back"}


def _outages(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    for item in _each(check, context):
        if isinstance(item, Finding):
            yield item
            continue
        name, trial = item
        limit = _limit_of(context, name)
        for phase in trial.phases:
            yield from _phase(check, trial, phase, limit)


def _phase(check: LineupCheck, trial: Trial, phase: Phase, limit: Limit | None) -> Iterator[Finding]:
    """A finding for each device whose replies stayed out too long; one for all the others."""
    title = _TITLES[phase.word].format(trial.link)
    fine: list[tuple[str, Outage]] = []
    for key in sorted(trial.beats):
        who = f"{key[0]} ({key[1]})"
        outage = trial.outage(key, phase)
        if outage is None:
            continue
        if trial.before(key).answered < ENOUGH:
            reason = f"{who} did not answer before link {trial.link} was touched"
            yield check.untested("lineup", reason, point=f"{trial.link} {phase.word} {who}")
            continue
        verdict = Verdict.PASS if limit is None else within(outage.seconds, None, limit.recovery_ms / 1000)
        if verdict is Verdict.PASS:
            fine.append((who, outage))
        else:
            yield _too_long(check, trial, phase, who, (outage, verdict, limit))
    if not fine:
        return
    who, worst = max(fine, key=lambda pair: (pair[1].seconds.high, pair[1].seconds.low))
    if limit is None:
        yield check.untested(
            "lineup",
            f"the map gives link {trial.link} neither redundancy nor recovery_ms; {title} the longest outage "
            f"was {between(worst)} at {who}",
            point=f"{trial.link} {phase.word}",
        )
        return
    yield check.find(
        "lineup",
        Verdict.PASS,
        f"Replies came back in time {title}",
        observed=f"longest outage {between(worst)}, at {who}; {count(len(fine), 'row')} of questions",
        expected=f"at most {span(limit.recovery_ms / 1000)} ({limit.source})",
        point=f"{trial.link} {phase.word}",
        uncertainty="the bounds lie as far apart as the questions",
        evidence=worst.lines,
    )


def _too_long(
    check: LineupCheck, trial: Trial, phase: Phase, who: str, seen: tuple[Outage, Verdict, Limit | None]
) -> Finding:
    outage, verdict, limit = seen
    title = _TITLES[phase.word].format(trial.link)
    assert limit is not None
    doubt = "may have stayed" if verdict is Verdict.REVIEW else "stayed"
    return check.find(
        "lineup",
        verdict,
        f"Replies of {who} {doubt} out too long {title}",
        observed=f"{between(outage)}; {count(outage.lost, 'question')} without an answer",
        expected=f"at most {span(limit.recovery_ms / 1000)} ({limit.source})",
        point=f"{trial.link} {phase.word} {who}",
        uncertainty="the bounds lie as far apart as the questions",
        evidence=outage.lines,
        advice="Look at the ring's manager and its settings, and whether the second way is closed at all."
        if verdict is Verdict.FAIL
        else "The questions are too far apart for this limit: ask fewer devices, more often (--every).",
        danger=None if verdict is Verdict.FAIL else 2,
    )


def between(outage: Outage) -> str:
    """The bounds of an outage in words."""
    if not outage.is_over:
        return f"longer than {span(outage.seconds.low)}, to the end"
    if not outage.lost and outage.seconds.low == 0:
        return f"none above {span(outage.seconds.high)}"
    return f"{span(outage.seconds.low)} to {span(outage.seconds.high)}"


def _all_back(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    for item in _each(check, context):
        if isinstance(item, Finding):
            yield item
            continue
        name, trial = item
        if LinkAct.PLUGGED not in trial.steps:
            yield check.untested("lineup", f"link {name} was not put back while watched", point=name)
            continue
        asked = [key for key in sorted(trial.beats) if trial.before(key).answered >= ENOUGH]
        gone = [key for key in asked if not _answers_at_the_end(trial.beats[key])]
        for tag, means in gone:
            last = trial.beats[tag, means][-1]
            yield check.find(
                "lineup",
                Verdict.FAIL,
                f"{tag} ({means}) did not come back after link {name} was put back",
                observed=f"last question: {last[1].outcome}",
                expected="answers as before",
                point=f"{name} {tag} {means}",
                evidence=(last[0],),
                advice="Look at the device and the port that it is plugged into before leaving.",
            )
        if asked and not gone:
            yield check.find(
                "lineup",
                Verdict.PASS,
                f"All came back after link {name} was put back",
                observed=some(sorted({tag for tag, _ in asked}), 6),
                point=name,
                evidence=tuple(trial.beats[key][-1][0] for key in asked)[:6],
            )


def _answers_at_the_end(row: Sequence[Numbered]) -> bool:
    """True if the last two questions were answered: one may be lost by chance."""
    return any(beat.answered for _, beat in row[-2:])


CHECKS: tuple[LineupCheck, ...] = (
    LineupCheck(
        id="link.outage",
        title="Replies come back in time when a link is lost",
        needs=(Need.LINK_LOSS,),
        why="A ring that heals on paper and not in its cubicle takes supervision and trip commands away just "
        "when a cable is damaged.",
        source="IEC 62439-1, IEC 62439-2, IEC 62439-3 (recovery times, from memory); rule: map",
        since="0.1",
        danger=7,
        where="links that a person pulled and put back (survey --failover)",
        run=_outages,
        subjects=_wanted,
        required=False,
    ),
    LineupCheck(
        id="link.back",
        title="All devices come back when a link is put back",
        needs=(Need.LINK_LOSS,),
        why="A device that stays silent after the test is out of supervision, and nobody may notice.",
        source="common practice, no source",
        since="0.1",
        danger=7,
        where="links that a person pulled and put back (survey --failover)",
        run=_all_back,
        subjects=_wanted,
        required=False,
    ),
)
