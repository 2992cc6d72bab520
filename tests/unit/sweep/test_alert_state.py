"""Alerts over runs: once when they open, once when they are over, nothing while a port flaps."""

from __future__ import annotations

from probe.history.digest import SaidCause
from probe.history.life import Life, Moment
from probe.history.slot_book import SlotState
from probe.model.alerting import Channel
from probe.model.finding import Verdict
from probe.sweep.alerts.state import Alert, AlertState, Event, step
from probe.sweep.alerts.texts import body_of, subject_of, text_of
from probe.sweep.alerts.troubles import Trouble, no_run, troubles_of


def trouble(key: str = "a", verdict: Verdict = Verdict.FAIL) -> Trouble:
    return Trouble(key, verdict, 5, f"trouble {key}", (f"check.x@{key}",))


def lived(runs: str, *, open_after: int, clear_after: int) -> list[str]:
    """What is told over runs: ``x`` shows the trouble, ``r`` as a review, ``.`` does not."""
    alerts: dict[str, Alert] = {}
    told = []
    for at, sign in enumerate(runs, start=1):
        shown = {"x": [trouble()], "r": [trouble(verdict=Verdict.REVIEW)], ".": []}[sign]
        done = step(alerts, shown, at, open_after=open_after, clear_after=clear_after)
        for one in done.alerts:
            alerts[one.trouble.key] = one
        alerts = {key: one for key, one in alerts.items() if one.state is not AlertState.OVER}
        told += [f"{event.value} at {at}" for event, _ in done.told]
    return told


def test_a_trouble_is_told_twice() -> None:
    assert lived("xxx..", open_after=1, clear_after=1) == ["opened at 1", "over at 4"]
    assert lived("xxx.....", open_after=1, clear_after=3) == ["opened at 1", "over at 6"]


def test_a_flapping_port_is_one_alert() -> None:
    assert lived("x.x.x.x.x..", open_after=1, clear_after=2) == ["opened at 1", "over at 11"]
    assert lived(".x..x..x..", open_after=2, clear_after=2) == []
    assert lived("xx.", open_after=2, clear_after=1) == ["opened at 2", "over at 3"]


def test_what_becomes_worse_is_told() -> None:
    assert lived("rrxxr.", open_after=1, clear_after=1) == ["opened at 1", "worse at 3", "over at 6"]


def test_a_snoozed_alert_is_silent_until_it_is_over() -> None:
    quiet = Alert(trouble(verdict=Verdict.REVIEW), AlertState.OPEN, 1, 1, quiet_until_ns=50)
    worse = step({"a": quiet}, [trouble()], 20, open_after=1, clear_after=1)
    assert worse.told == ()
    assert step({"a": quiet}, [trouble()], 60, open_after=1, clear_after=1).told[0][0] is Event.WORSE
    over = step({"a": quiet}, [], 20, open_after=1, clear_after=1)
    assert [event for event, _ in over.told] == [Event.OVER]


def life(finding: str, cause: str = "", danger: int = 5) -> Life:
    return Life(finding, Verdict.FAIL, f"title of {finding}", danger, cause, Moment(1, 1))


def test_a_dead_gateway_is_one_trouble() -> None:
    lives = [life(f"reach.answers@52-F{n}", "gateway: GW-1") for n in range(12)]
    lives.append(life("clock.skew@52-M1", danger=3))
    made = troubles_of(lives, [SaidCause("gateway: GW-1", "gateway", ("GW-1",), "GW-1 does not answer")])
    assert [(one.title, len(one.members)) for one in made] == [
        ("GW-1 does not answer", 12),
        ("52-M1: title of clock.skew@52-M1", 1),
    ]


def test_a_start_without_verdicts_is_a_trouble() -> None:
    assert no_run(SlotState.DONE, "") is None
    missing = no_run(SlotState.FAILED, "the map cannot be used")
    assert missing is not None
    assert "the map cannot be used" in missing.title


def test_channels_hear_what_is_theirs() -> None:
    told = [(Event.OPENED, Alert(trouble("a", Verdict.REVIEW), AlertState.OPEN, 1, 1))]
    mild = Channel(name="m", syslog={"host": "h"})
    strict = Channel(name="s", syslog={"host": "h"}, least="fail")
    other = Channel(name="o", syslog={"host": "h"}, sweeps=("msb-2",))
    body = body_of(mild, "msb-1", "Site / MSB-1", told, ["52-F1: firmware was 1, is 2"])
    assert body is not None
    assert subject_of(body) == "Site / MSB-1: 1 to review, 1 changed"
    assert "52-F1: firmware was 1, is 2" in text_of(body)
    assert body_of(strict, "msb-1", "Site / MSB-1", told, ["x"]) is None
    assert body_of(other, "msb-1", "Site / MSB-1", told, ["x"]) is None
