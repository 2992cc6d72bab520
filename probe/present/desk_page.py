"""Desk page: one calculation as lines for people, and as the object of ``--json`` (design, section 4)."""

from __future__ import annotations

from typing import Any

from probe.desk.working import Amount, Bound, Check, Outcome, Working

DESK_FORMAT = "buswitness-desk/1"
NOTICE = "A desk calculation from what was typed: nothing was measured and no device was asked."


def desk_lines(working: Working) -> list[str]:
    """The calculation as a person follows it: what was given, each step, the result, limits with margins."""
    lines = ["Given"]
    lines += [f"    {name.replace('_', ' ')}: {value}" for name, value in working.inputs]
    if working.steps:
        lines.append("Steps")
        for step in working.steps:
            lines += [f"    {step.text}"] + ([f"        source: {step.source}"] if step.source else [])
    if working.result:
        lines += ["Result", *(f"    {_outcome_text(one)}" for one in working.result)]
    lines += ["Limits", *_limit_lines(working)]
    return [*lines, "", *([working.caution] if working.caution else []), NOTICE]


def _limit_lines(working: Working) -> list[str]:
    lines = []
    for check in working.checks:
        lines.append(f"    {check.verdict.upper()}: {_outcome_text(check.outcome)}, {_limit_text(check)}")
        lines += [f"        {check.remark}"] if check.remark else []
        lines.append(f"        source: {check.source}")
    for one in working.statements:
        lines += [f"    {one.verdict.upper()}: {one.name}: {one.text}", f"        source: {one.source}"]
    return lines or ["    NOT TESTED: no limit was given to hold the result against"]


def _outcome_text(one: Outcome) -> str:
    if not one.exists:
        return f"{one.name}: no solution"
    spread = "" if one.low == one.high else f" ({one.low:.5g} to {one.high:.5g})"
    return f"{one.name}: {one.value:.5g}{spread} {one.unit}"


def _limit_text(check: Check) -> str:
    words, bound = ("at least", check.least) if check.least is not None else ("at most", check.most)
    assert bound is not None  # a check has one of the two
    limit = f"{bound.sure:.5g}" if bound.sure == bound.beyond else f"{bound.sure:.5g} to {bound.beyond:.5g}"
    unit = check.outcome.unit
    margin = f", margin {check.margin:.4g} {check.margin_unit}" if check.outcome.exists else ""
    return f"{words} {limit} {unit}{margin}"


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
