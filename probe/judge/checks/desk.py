"""Desk calculations as checks: what the map draws, held against its limits; from the map alone, no evidence.

They are judged like everything else, from what the record carries (the map), so that anybody can calculate
them again; nothing calculated is stored as if it had been seen (docs/decisions/0010).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from probe.desk.from_map import Calculation, Kind, calculations, names
from probe.desk.working import Check as Comparison
from probe.desk.working import Statement
from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.model.checklist import checklists_of
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

_DRAWN = "As drawn: nothing was measured for it. "
_WORDS = {
    Verdict.PASS: "keeps its limits",
    Verdict.FAIL: "breaks its limit",
    Verdict.REVIEW: "may break its limit",
}
_MEMORY = "desk_calculations"


def calculated(context: LineupContext) -> tuple[Calculation, ...]:
    """All calculations of the map, worked out once for a run."""
    if _MEMORY not in context.memory:
        context.memory[_MEMORY] = calculations(context.map)
    made: tuple[Calculation, ...] = context.memory[_MEMORY]
    return made


def _run(kind: Kind, check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    for one in calculated(context):
        if one.kind is kind:
            yield from _findings(check, one)


def _findings(check: LineupCheck, one: Calculation) -> Iterable[Finding]:
    """One finding where all limits are kept (the closest), else one for each that is not."""
    working = one.working
    if not working.checks and not working.statements:
        yield check.untested(one.name, "the map gives no limit to hold it against")
        return
    every: tuple[Comparison | Statement, ...] = (*working.checks, *working.statements)
    bad = [told for told in every if told.verdict is not Verdict.PASS]
    for told in bad or [working.closest or every[-1]]:
        yield _finding(check, one, told, alone=not bad)


def _finding(check: LineupCheck, one: Calculation, told: Comparison | Statement, *, alone: bool) -> Finding:
    point = "" if alone else (told.outcome.name if isinstance(told, Comparison) else told.name)
    if told.verdict is Verdict.NOT_TESTED:
        assert isinstance(told, Statement)
        return check.untested(one.name, told.text, point=point)._replace(rule=told.source)
    observed, expected, unit, remark = _texts(told)
    what = f"{one.title}{'' if alone else f': {point}'} {_WORDS[told.verdict]}"
    found = check.find(
        one.name,
        told.verdict,
        what if len(what) < 100 else f"{one.name}: {point or 'calculation'} {_WORDS[told.verdict]}",
        observed=observed,
        expected=expected,
        unit=unit,
        point=point,
        advice="" if told.verdict is Verdict.PASS else f"{_DRAWN}{remark}".strip(),
    )
    return found._replace(rule=told.source)


def _texts(told: Comparison | Statement) -> tuple[str, str, str, str]:
    """Observed, expected, unit and a remark, in words with the digits of the desk page."""
    if isinstance(told, Statement):
        allowed = told.text if told.verdict is Verdict.FAIL else "what may run together"
        return told.name, allowed, "", f"{told.text}: part them, or ask the engineer of the site."
    outcome = told.outcome
    words, bound = ("at least", told.least) if told.least is not None else ("at most", told.most)
    assert bound is not None
    limit = f"{bound.sure:.5g}" if bound.sure == bound.beyond else f"{bound.sure:.5g} to {bound.beyond:.5g}"
    spread = "" if outcome.low == outcome.high else f" ({outcome.low:.5g} to {outcome.high:.5g})"
    observed = (
        f"{outcome.name} {outcome.value:.5g}{spread}" if outcome.exists else f"{outcome.name}: no solution"
    )
    remark = f"{told.remark[:1].upper()}{told.remark[1:]}. " if told.remark else ""
    margin = f"Short of its limit by {-told.margin:.4g} {told.margin_unit}. " if told.margin < 0 else ""
    return observed, f"{words} {limit}", outcome.unit, f"{remark}{margin}Steps: buswitness desk all MAP."


def _subjects(kind: Kind) -> Callable[[Lineup, Scope], Iterable[str]]:
    def subjects(lineup: Lineup, scope: Scope) -> Iterable[str]:
        by_procedure = scope.sheets and not checklists_of(lineup)
        return () if scope.quick or by_procedure else names(lineup.map.cabling, kind)

    return subjects


def _check(kind: Kind, title: str, why: str, source: str, danger: int, where: str) -> LineupCheck:
    return LineupCheck(
        id=f"desk.{kind.value}",
        title=title,
        needs=(Need.CABLING,),
        why=why,
        source=source,
        since="0.2",
        danger=danger,
        where=where,
        run=partial(_run, kind),
        subjects=_subjects(kind),
        required=False,
    )


CHECKS = (
    _check(
        Kind.FIBRE,
        "Fibre link has enough light and not too much",
        "A link with too little light fails when it ages or warms; one with too much fails at once, and both "
        "look like a faulty device.",
        "IEEE 802.3, TIA-568 and ISO/IEC 11801 (from memory)",
        4,
        "each fibre link of the map's cabling",
    ),
    _check(
        Kind.CHANNEL,
        "Copper channel is not too long",
        "A channel that is too long for its heat loses frames now and then, which no single test shows.",
        "TIA-568 and ISO/IEC 11801 (from memory)",
        3,
        "each copper channel of the map's cabling",
    ),
    _check(
        Kind.BUS,
        "Serial line is quick enough, and within reach",
        "A round that takes too long shows old values as if they were new; a line with too many devices or "
        "too much wire fails by chance.",
        "MODBUS over Serial Line V1.02, 2.5.1, 3.4",
        3,
        "each serial line of the map's cabling",
    ),
    _check(
        Kind.COPPER,
        "Voltage at each load of a DC feeder",
        "A device below its least voltage restarts, or runs and decides wrongly, when the battery is at its "
        "end: just then it is needed.",
        "IEC 61131-2 (as third-party texts quote it)",
        6,
        "each DC feeder of the map's cabling",
    ),
    _check(
        Kind.AUTONOMY,
        "Battery carries its loads long enough",
        "Control power that ends before the outage does leaves breakers that nobody can operate or see.",
        "IEEE 485 (from memory)",
        6,
        "each battery of the map's cabling",
    ),
    _check(
        Kind.CAPACITY,
        "Battery has the capacity that its loads need",
        "A battery that is just enough when new is too small at the end of its life and in the cold.",
        "IEEE 485 (from memory)",
        5,
        "each battery of the map's cabling with a wanted time",
    ),
    _check(
        Kind.CONDUIT,
        "Cables that run together may do so",
        "Control wire or power beside data cables couples noise into them, and a fault can carry its voltage "
        "where people do not expect it.",
        "common practice, no source; NFPA 70; EN 50174-2",
        4,
        "each conduit of the map's cabling",
    ),
)
