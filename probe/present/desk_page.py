"""Desk page: one calculation as lines for people, and as the object of ``--json`` (design, section 4)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from probe.desk.from_map import Calculation
from probe.desk.working import Amount, Bound, Check, Outcome, Working
from probe.model.device_map import DeviceMap
from probe.model.finding import Verdict, worst

DESK_FORMAT = "buswitness-desk/1"
DESK_ALL_FORMAT = "buswitness-desk-all/1"
NOTICE = "A desk calculation from what was typed: nothing was measured and no device was asked."
MAP_NOTICE = "Desk calculations from what the map draws: nothing was measured and no device was asked."


def desk_lines(working: Working) -> list[str]:
    """The calculation as a person follows it: what was given, each step, the result, limits with margins."""
    lines = _worked_lines(working)
    return [*lines, "", *([working.caution] if working.caution else []), NOTICE]


def map_lines(made: Sequence[Calculation]) -> Iterator[str]:
    """All calculations of a map one after the other, then one line each, then the cautions, each once."""
    for one in made:
        yield from (one.title, *(f"  {line}" for line in _worked_lines(one.working)), "")
    yield "All of them"
    width = max(len(verdict.value) for verdict in Verdict)
    for one in made:
        yield f"    {one.working.verdict.upper():<{width}}  {one.title}{_closest_words(one.working)}"
    yield ""
    yield from dict.fromkeys(one.working.caution for one in made if one.working.caution)
    yield MAP_NOTICE


def _closest_words(working: Working) -> str:
    """The smallest margin, as a share of its limit, in words."""
    close = working.closest
    if close is None:
        return f"; {outcome_text(working.result[0])}" if working.result else ""
    return f"; closest: {close.outcome.name}, margin {close.margin:.4g} {close.margin_unit}"


def _worked_lines(working: Working) -> list[str]:
    lines = ["Given"]
    lines += [f"    {name.replace('_', ' ')}: {value}" for name, value in working.inputs]
    if working.steps:
        lines.append("Steps")
        for step in working.steps:
            lines += [f"    {step.text}"] + ([f"        source: {step.source}"] if step.source else [])
    if working.result:
        lines += ["Result", *(f"    {outcome_text(one)}" for one in working.result)]
    return [*lines, "Limits", *limit_lines(working)]


def limit_lines(working: Working) -> list[str]:
    """Each comparison with its verdict, margin and source; that nothing was compared, where nothing was."""
    lines = []
    for check in working.checks:
        lines.append(f"    {check.verdict.upper()}: {outcome_text(check.outcome)}, {_limit_text(check)}")
        lines += [f"        {check.remark}"] if check.remark else []
        lines.append(f"        source: {check.source}")
    for one in working.statements:
        lines += [f"    {one.verdict.upper()}: {one.name}: {one.text}", f"        source: {one.source}"]
    return lines or ["    NOT TESTED: no limit was given to hold the result against"]


def outcome_text(one: Outcome) -> str:
    """A value with its name, interval and unit."""
    if not one.exists:
        return f"{one.name}: no solution"
    spread = "" if one.low == one.high else f" ({one.low:.5g} to {one.high:.5g})"
    return f"{one.name}: {one.value:.5g}{spread} {one.unit}"


def limit_words(check: Check) -> str:
    """The limit of a check, as text."""
    words, bound = ("at least", check.least) if check.least is not None else ("at most", check.most)
    assert bound is not None  # a check has one of the two
    limit = f"{bound.sure:.5g}" if bound.sure == bound.beyond else f"{bound.sure:.5g} to {bound.beyond:.5g}"
    return f"{words} {limit} {check.outcome.unit}"


def _limit_text(check: Check) -> str:
    margin = f", margin {check.margin:.4g} {check.margin_unit}" if check.outcome.exists else ""
    return f"{limit_words(check)}{margin}"


def desk_document(working: Working) -> dict[str, Any]:
    """The object that ``desk ... --json`` prints; a value that does not exist is null."""
    return {
        "format": DESK_FORMAT,
        "calculation": working.calculation,
        "inputs": {name: _input(value) for name, value in working.inputs},
        "steps": [{"line": step.text, "source": step.source or None} for step in working.steps],
        "result": [_value(one) for one in working.result],
        "limit": [*(_limit(one) for one in working.checks), *_rules(working)],
        "margin": [
            {
                "name": one.outcome.name,
                "value": one.margin if one.outcome.exists else None,
                "unit": one.margin_unit,
            }
            for one in working.checks
        ],
        "source": list(working.sources),
        "verdict": working.verdict.value,
        "caution": working.caution or None,
        "notice": NOTICE,
    }


def map_document(drawn: DeviceMap, made: Sequence[Calculation]) -> dict[str, Any]:
    """The object that ``desk all --json`` prints: each calculation as ``desk`` prints it, with its cable."""
    verdicts = [one.working.verdict for one in made]
    return {
        "format": DESK_ALL_FORMAT,
        "site": drawn.site,
        "lineup": drawn.lineup,
        "verdict": worst(verdicts).value,
        "counts": {verdict.value: verdicts.count(verdict) for verdict in Verdict},
        "calculations": [
            {"name": one.name, "title": one.title, **desk_document(one.working), "notice": MAP_NOTICE}
            for one in made
        ],
        "notice": MAP_NOTICE,
    }


def _input(value: Amount | str | int) -> Any:
    if not isinstance(value, Amount):
        return value
    return {"value": value.value, "unit": value.unit, "plus_minus": value.plus_minus}


def _value(one: Outcome) -> dict[str, Any]:
    value, low, high = (one.value, one.low, one.high) if one.exists else (None, None, None)
    return {"name": one.name, "value": value, "low": low, "high": high, "unit": one.unit}


def _limit(check: Check) -> dict[str, Any]:
    return {
        "name": check.outcome.name,
        "verdict": check.verdict.value,
        "value": _value(check.outcome),
        "least": _bound(check.least),
        "most": _bound(check.most),
        "unit": check.outcome.unit,
        "source": check.source,
        "remark": check.remark or None,
    }


def _bound(bound: Bound | None) -> dict[str, float] | None:
    return None if bound is None else {"sure": bound.sure, "beyond": bound.beyond}


def _rules(working: Working) -> list[dict[str, Any]]:
    return [
        {"name": one.name, "verdict": one.verdict.value, "rule": one.text, "source": one.source}
        for one in working.statements
    ]
