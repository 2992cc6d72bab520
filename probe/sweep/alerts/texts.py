"""What is told, in words and as data. One message a run and channel, however much happened."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

from probe.model.alerting import Channel
from probe.model.finding import Verdict
from probe.sweep.alerts.state import Alert, Event

FORMAT = "buswitness-alert/1"
MOST = 20  # of one kind in words; the data holds all


def body_of(
    channel: Channel, sweep: str, lineup: str, told: Iterable[tuple[Event, Alert]], news: Sequence[str]
) -> dict[str, Any] | None:
    """The message for a channel, None if nothing of it is for this one."""
    if channel.sweeps and sweep not in channel.sweeps:
        return None
    wanted = [
        (event, alert)
        for event, alert in told
        if channel.least == "review" or alert.trouble.verdict is Verdict.FAIL
    ]
    news = list(news) if channel.least == "review" else []
    if not wanted and not news:
        return None
    return {
        "format": FORMAT,
        "sweep": sweep,
        "lineup": lineup,
        "events": [_event(event, alert) for event, alert in wanted],
        "changed": news,
    }


def _event(event: Event, alert: Alert) -> dict[str, Any]:
    trouble = alert.trouble
    return {
        "event": event.value,
        "verdict": trouble.verdict.value,
        "danger": trouble.danger,
        "title": trouble.title,
        "findings": list(trouble.members),
        "since": _moment(alert.since_ns),
        "lasted_s": (alert.over_ns - alert.since_ns) // 10**9 if alert.over_ns is not None else None,
    }


def subject_of(body: dict[str, Any]) -> str:
    """One line that says how much of what, the worst first."""
    events = body["events"]
    parts = [
        f"{number} {word}"
        for word, number in (
            ("failing", sum(e["event"] != "over" and e["verdict"] == "fail" for e in events)),
            ("to review", sum(e["event"] != "over" and e["verdict"] == "review" for e in events)),
            ("over", sum(e["event"] == "over" for e in events)),
            ("changed", len(body["changed"])),
        )
        if number
    ]
    return f"{body['lineup']}: {', '.join(parts)}"


def text_of(body: dict[str, Any]) -> str:
    """The message as plain text for people."""
    lines = [subject_of(body), ""]
    for head, events in (
        ("New", [e for e in body["events"] if e["event"] != "over"]),
        ("Over", [e for e in body["events"] if e["event"] == "over"]),
    ):
        if events:
            lines += [f"{head}:", *(_line(e) for e in events[:MOST]), *_more(events), ""]
    if body["changed"]:
        lines += ["Changed:", *(f"  - {one}" for one in body["changed"][:MOST]), *_more(body["changed"]), ""]
    lines += [
        "Switchgear can kill: whoever goes there follows the site's procedures.",
        f"More: buswitness sweep status FLEET --sweep {body['sweep']}",
    ]
    return "\n".join(lines) + "\n"


def _line(event: dict[str, Any]) -> str:
    lasted = event["lasted_s"]
    span = f", lasted {_span(lasted)}" if lasted is not None else ""
    many = len(event["findings"])
    findings = f" ({many} findings)" if many > 1 else ""
    return f"  - {event['verdict']}: {event['title']}{findings}, since {event['since']}{span}"


def _more(items: Sequence[Any]) -> list[str]:
    return [f"  and {len(items) - MOST} more"] if len(items) > MOST else []


def _span(seconds: int) -> str:
    if seconds < 7200:
        return f"{seconds // 60} min"
    return f"{seconds // 3600} h" if seconds < 2 * 86_400 else f"{seconds // 86_400} days"


def _moment(wall_ns: int) -> str:
    return datetime.fromtimestamp(wall_ns // 10**9, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
