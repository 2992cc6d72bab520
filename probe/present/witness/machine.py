"""A witness run as JSON: the object of an audit, with the steps, what was seen and said in each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from probe.judge.witness.outcome import Logged, Outcome, StepOutcome
from probe.judge.witness.plan import Item
from probe.judge.witness.track import Change
from probe.judge.witness.watch import Watch
from probe.model.finding import Verdict

WITNESS_FORMAT = "buswitness-witness/1"


def witness_document(audit: Mapping[str, Any], watch: Watch) -> dict[str, Any]:
    """The audit's own object with ``steps`` and ``procedures`` added. Times: seconds of the run."""
    return {
        **audit,
        "format": WITNESS_FORMAT,
        "procedures": [
            {"name": one.name, "title": one.title, "source": one.source} for one in watch.plan.procedures
        ],
        "targets": list(watch.plan.scope.targets),
        "steps": [_step(watch, item, watch.outcomes.get(item.key)) for item in watch.plan.items],
    }


def _step(watch: Watch, item: Item, outcome: StepOutcome | None) -> dict[str, Any]:
    verdict = Verdict.NOT_TESTED if outcome is None else outcome.verdict
    made: dict[str, Any] = {
        "procedure": item.procedure.name,
        "step": item.step.id,
        "about": item.about or "lineup",
        "title": watch.plan.text(item, item.step.title),
        "act": item.step.act,
        "verdict": verdict.value,
        "state": "not begun",
        "round": 0,
    }
    if outcome is None:
        return made
    run = outcome.run
    return made | {
        "state": run.state,
        "round": run.round,
        "initials": run.by,
        "begun_s": _s(run.begun_ns),
        "go_s": _s(run.ready_ns),
        "done_s": _s(run.done_ns),
        "ended_s": _s(run.ended_ns),
        "untested": outcome.untested or None,
        "expected": [_outcome(one) for one in outcome.outcomes],
        "confirmed": [
            {"id": o.confirm.id, "ask": o.ask, "said": o.said, "verdict": o.verdict.value, "why": o.why}
            for o in outcome.said
        ],
        "elsewhere": [_change(change) for change in outcome.elsewhere],
        "also": [_change(change) for change in outcome.beside],
        "log": None if outcome.logged is None else _log(outcome.logged),
        "cautions_missed": list(outcome.missing_cautions),
        "remarks": list(run.remarks),
    }


def _outcome(one: Outcome) -> dict[str, Any]:
    return {
        "id": one.id or None,
        "tag": one.tag,
        "signal": str(one.signal),
        "outcome": one.kind.value,
        "verdict": one.verdict.value,
        "expected": one.expected,
        "observed": one.observed,
        "timing": one.timing or None,
        "low_s": _s(one.low_ns),
        "high_s": _s(one.high_ns),
        "evidence": list(one.evidence),
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "tag": change.tag,
        "signal": str(change.signal),
        "before": change.before,
        "after": change.after,
        "low_s": _s(change.low_ns),
        "high_s": _s(change.high_ns),
        "evidence": list(change.evidence),
    }


def _log(logged: Logged) -> dict[str, Any]:
    return {
        "verdict": logged.verdict.value,
        "title": logged.title,
        "observed": logged.observed,
        "time_to_report": logged.report_s or None,
        "events": [
            {"number": one.number, "what": one.what, "stamp": one.stamp, "evidence": [one.sequence]}
            for one in logged.events
        ],
    }


def _s(at_ns: int) -> float | None:
    """Seconds of the run with microseconds; None for what did not happen."""
    return round(at_ns / 1e9, 6) if at_ns else None
