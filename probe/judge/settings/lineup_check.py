"""Coordination along the map: lost through settings that are not as studied?"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.judge.settings.coordination import Overlap
from probe.judge.settings.device_checks import ONLY_ENGINEERS
from probe.judge.settings.pairs import Bands, Coordination, Pair, all_coordinations, pairs_of
from probe.judge.wording import count, some
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope


def bands_of(context: LineupContext) -> Bands:
    """Maker of bands from all settings that were found."""
    found = {tag: facts.settings for tag, facts in context.facts.items() if facts.settings is not None}
    return Bands(lineup=context.lineup, found=found)


def ampere_ranges(ranges: Sequence[Overlap]) -> str:
    """``4.86 to 20 kA``, ranges joined with commas; ``nowhere`` for none."""
    return ", ".join(f"{_amps(one.low_a)} to {_amps(one.high_a)}" for one in ranges) or "nowhere"


def _amps(value_a: float) -> str:
    return f"{value_a / 1000:.3g} kA" if value_a >= 1000 else f"{value_a:.3g} A"


def _run(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    done = list(all_coordinations(bands_of(context), frozenset(context.scope.tags)))
    by_pair: dict[Pair, list[Coordination]] = {}
    for one in done:
        by_pair.setdefault(one.pair, []).append(one)
    untested = {pair: found for pair, found in by_pair.items() if any(one.why for one in found)}
    lost = {pair: found for pair, found in by_pair.items() if any(one.lost for one in found)}
    for pair, found in lost.items():
        yield _lost(check, pair, found)
    kept = [pair for pair in by_pair if pair not in lost and pair not in untested]
    if kept:
        yield _kept(check, kept, by_pair)
    if untested:
        yield _untested(check, untested)


def _lost(check: LineupCheck, pair: Pair, found: Sequence[Coordination]) -> Finding:
    bad = [one for one in found if one.lost]
    return check.find(
        "lineup",
        Verdict.FAIL,
        f"{pair.upper} may trip before {pair.lower} clears, which the study does not have",
        observed="; ".join(f"{one.domain} faults: {ampere_ranges(one.found)}" for one in bad),
        expected="; ".join(f"{one.domain} faults: {ampere_ranges(one.studied)}" for one in bad),
        point=pair.lower,
        advice=f"A fault below {pair.lower} would take away everything that {pair.upper} feeds. See which of "
        f"the settings of the two differ from the study. {ONLY_ENGINEERS}",
    )


def _kept(check: LineupCheck, kept: Sequence[Pair], by_pair: dict[Pair, list[Coordination]]) -> Finding:
    overlapping = [p for p in kept if any(one.found for one in by_pair[p])]
    named = some([f"{p.lower} below {p.upper}" for p in overlapping])
    also = (
        f"; {count(len(overlapping), 'pair')} cross where the study has it too: {named}"
        if overlapping
        else ""
    )
    return check.find(
        "lineup",
        Verdict.PASS,
        "Breakers in series coordinate as in the study",
        observed=f"{count(len(kept), 'pair')}{also}",
        expected="the same crossings as with the settings of the study",
    )


def _untested(check: LineupCheck, untested: dict[Pair, list[Coordination]]) -> Finding:
    reasons: dict[str, list[str]] = {}
    for pair, found in untested.items():
        why = next(one.why for one in found if one.why)
        reasons.setdefault(why, []).append(f"{pair.lower} below {pair.upper}")
    told = some([f"{some(pairs, 3)}: {why}" for why, pairs in reasons.items()], 6)
    return check.untested("lineup", f"{count(len(untested), 'pair')} not looked at: {told}", point="pairs")


def _subjects(lineup: Lineup, scope: Scope) -> Iterable[str]:
    """The lineup, where it has a study and breakers in series that are asked."""
    if scope.clocks_only or not lineup.studies:
        return ()
    tags = set(scope.tags)
    pairs = (pair for pair in pairs_of(lineup.map) if pair.lower in tags and pair.upper in tags)
    return ("lineup",) if any(pairs) else ()


COORDINATION = LineupCheck(
    id="settings.coordination",
    title="Breakers in series coordinate as in the study",
    needs=(Need.REPLIES, Need.IDENTITY, Need.PROOF),
    why="When the upper breaker trips first, a fault on one circuit takes away all of them.",
    source="bands must not overlap: common practice, no source; bands: profile; currents: rule: map",
    since="0.1",
    danger=7,
    where="lineups with a study: each breaker and the one that feeds it, up to the map's fault_current_ka",
    run=_run,
    subjects=_subjects,
    required=False,
)
