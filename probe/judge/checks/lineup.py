"""Checks across devices: serial numbers seen twice, devices that changed places, how our polling weighs."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import LineupCheck, Need
from probe.judge.held_up import STALLED
from probe.judge.limit import Interval, exactly, within
from probe.judge.lineup_context import LineupContext
from probe.judge.statistic import median_interval, percentile
from probe.judge.wording import AT_THE_GEAR, count, listed, milliseconds
from probe.model.finding import Finding, Verdict

#: Slowing that is told: a share of the early median, at least a fixed time; common practice, no source.
SLOWING_SHARE, SLOWING_MS = 0.2, 5.0


def serials(context: LineupContext) -> dict[str, list[str]]:
    """Serial number as read, without blanks and capitals, to the tags that show it."""
    found: dict[str, list[str]] = {}
    for tag, facts in context.facts.items():
        text = facts.identity.get("serial", "").strip().casefold()
        if text.strip("0 -"):
            found.setdefault(text, []).append(tag)
    return found


def misplaced(context: LineupContext) -> dict[str, str]:
    """Tag to the tag whose serial number it shows, where that is another one.

    Where the map gives one number to several tags, each of them may show it.
    """
    owners: dict[str, list[str]] = {}
    for device in context.map.devices:
        if device.identity.serial:
            owners.setdefault(device.identity.serial.strip().casefold(), []).append(device.tag)
    shows = {
        tag: owners.get(facts.identity.get("serial", "").strip().casefold(), [tag])
        for tag, facts in context.facts.items()
    }
    return {tag: others[0] for tag, others in shows.items() if tag not in others}


def _serial_twice(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    found = serials(context)
    if not found:
        return
    doubled = {text: tags for text, tags in found.items() if len(tags) > 1}
    for text, tags in doubled.items():
        evidence = [context.facts[tag].identity_evidence[:1] for tag in tags]
        yield check.find(
            "lineup",
            Verdict.FAIL,
            f"One serial number at {len(tags)} tags",
            observed=f"{context.facts[tags[0]].identity['serial']} at {listed(tags)}",
            expected="a serial number once",
            point=tags[0],
            evidence=tuple(seq for some in evidence for seq in some),
            advice="Either one device answers at all these addresses (a gateway that ignores the unit "
            "number, an "
            f"address given twice), or the number was never set: compare with the nameplates ({text}).",
        )
    if not doubled:
        yield check.find(
            "lineup", Verdict.PASS, "No serial number seen twice", observed=count(len(found), "serial number")
        )


def _places(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    wanted = [d for d in context.map.devices if d.identity.serial and d.tag in context.facts]
    shown = [d for d in wanted if context.facts[d.tag].identity.get("serial")]
    if not shown:
        return
    elsewhere = misplaced(context)
    for tag, other in elsewhere.items():
        swapped = elsewhere.get(other) == tag
        yield check.find(
            "lineup",
            Verdict.FAIL,
            f"{tag} is swapped with {other}" if swapped else f"{tag} shows the serial number of {other}",
            observed=context.facts[tag].identity["serial"],
            expected=context.map.by_tag[tag].identity.serial or "",
            point=tag,
            evidence=context.facts[tag].identity_evidence,
            advice="Believe no value of either until it is cleared up: exchange addresses or devices. "
            f"{AT_THE_GEAR}",
        )
    if not elsewhere:
        yield check.find(
            "lineup", Verdict.PASS, "No two devices changed places", observed=f"{len(shown)} serial numbers"
        )


def _weight(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    pairs = [pair for facts in context.facts.values() for pair in facts.pairs]
    if not pairs:
        return
    changes = sorted((pair.late_ns - pair.early_ns) / 1e6 for pair in pairs)
    early_ms = percentile(sorted(pair.early_ns / 1e6 for pair in pairs), 50)
    bounds = median_interval(changes)
    if bounds is None:
        yield check.untested(
            "lineup", f"{count(len(pairs), 'request')} asked early and late are too few to tell"
        )
        return
    limit = max(SLOWING_SHARE * early_ms, SLOWING_MS)
    verdict = within(bounds, None, limit)
    if verdict is Verdict.REVIEW and within(exactly(2 * bounds.half_width), None, limit) is not Verdict.PASS:
        yield check.untested(
            "lineup",
            f"reply times scatter too much ({_bounds(bounds)} ms against {limit:.1f} ms): a busy network or "
            "a busy computer; more rounds (--dwell) would tell",
        )
        return
    stalls = sum(note.topic == STALLED for _, note in context.run.notes)
    if verdict is not Verdict.PASS and stalls:
        yield check.untested(
            "lineup",
            f"this computer was held up {count(stalls, 'time')} in the run: that replies came "
            f"{_bounds(bounds)} ms later may be its own doing; repeat on one that is at rest",
        )
        return
    yield check.find(
        "lineup",
        Verdict.REVIEW if verdict is Verdict.FAIL else verdict,
        _WEIGHT_TITLES[verdict],
        observed=f"{percentile(changes, 50):+.2f} (median of {len(pairs)} pairs; early median "
        f"{milliseconds(early_ms * 1e6)})",
        expected=f"at most {limit:.1f} slower",
        unit="ms",
        uncertainty=_bounds(bounds),
        advice=""
        if verdict is Verdict.PASS
        else "Our own polling or another master loads the gear: repeat while "
        "the other masters rest, and compare.",
    )


_WEIGHT_TITLES = {
    Verdict.PASS: "Replies did not slow down during the run",
    Verdict.REVIEW: "Whether replies slowed down during the run cannot be told",
    Verdict.FAIL: "Replies slowed down during the run",
}


def _bounds(bounds: Interval) -> str:
    return f"{bounds.low:+.2f} to {bounds.high:+.2f} (95 %, by ranks)"


SERIAL_TWICE = LineupCheck(
    id="lineup.serial_twice",
    title="No serial number seen twice",
    needs=(Need.REPLIES,),
    why="One device shown as two means that another one is not watched at all.",
    source="common practice, no source",
    since="0.1",
    danger=7,
    where="lineups in which devices tell a serial number",
    run=_serial_twice,
    required=False,
    of_all=True,
)
PLACES = LineupCheck(
    id="lineup.places",
    title="No two devices changed places",
    needs=(Need.REPLIES,),
    why="Two like devices in each other's cubicles answer perfectly; whoever opens one opens the other.",
    source="rule: map",
    since="0.1",
    danger=9,
    where="lineups whose map gives serial numbers",
    run=_places,
    subjects=lambda lineup, scope: (
        ("lineup",) if any(lineup.map.by_tag[tag].identity.serial for tag in scope.tags) else ()
    ),
    required=False,
    of_all=True,
)
WEIGHT = LineupCheck(
    id="lineup.weight",
    title="Replies did not slow down during the run",
    needs=(Need.ROUNDS,),
    why="The gear's own master works while we ask: if replies get slower in the run, we or it ask too much, "
    "and "
    "alarms come late.",
    source="order statistics of the median of paired differences (from memory, held against scipy); limit: "
    "common "
    "practice, no source",
    since="0.1",
    danger=3,
    where="every lineup; not with --quick",
    run=_weight,
    subjects=lambda lineup, scope: () if scope.quick else ("lineup",),
    required=False,
    of_all=True,
)
