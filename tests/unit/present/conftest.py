"""A staged run for the faces: an invented lineup with every verdict, told event by event.

Texts are as the judge words them; names are those of the invented site of the demo.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace

import pytest

from probe.collect.events import AuditResult, Observer, Phase, RunPlan
from probe.judge.wording import AT_THE_GEAR
from probe.model.device_map import DeviceMap
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.finding import Cause, Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

BEGUN_NS = 1_772_446_500_000_000_000  # 2026-03-02 10:15:00 UTC

# section, then its devices from the top: tag and kind
GEAR: dict[str, tuple[tuple[str, str], ...]] = {
    "1": (("52-M1", "trip-unit"), ("PM-M1", "meter"), ("ESW-1", "switch")),
    "2": (("52-F1", "trip-unit"), ("52-F2", "trip-unit"), ("52-F3", "trip-unit"), ("52-F4", "trip-unit")),
    "3": (("52-F5", "trip-unit"), ("52-F6", "trip-unit"), ("GW-1", "gateway"), ("PM-F5", "meter")),
    "4": (("52-T", "trip-unit"), ("PM-T", "meter"), ("PLC-1", "master"), ("UPS-1", "ups")),
    "5": (("52-F7", "trip-unit"), ("52-F8", "trip-unit"), ("GW-2", "gateway"), ("PM-F7", "meter")),
    "6": (("52-F9", "trip-unit"), ("52-F10", "trip-unit"), ("52-F11", "trip-unit"), ("52-F12", "trip-unit")),
    "7": (("52-M2", "trip-unit"), ("PM-M2", "meter"), ("ESW-2", "switch")),
}


def staged_map(gear: dict[str, tuple[tuple[str, str], ...]] = GEAR) -> DeviceMap:
    """A map of the gear; addresses are loopback ones, one a device."""
    devices = []
    for section, entries in gear.items():
        for tag, kind in entries:
            address = {"host": "127.0.0.1", "port": 15_000 + len(devices)}
            devices.append(
                {"tag": tag, "kind": kind, "profile": "staged", "section": section, "address": address}
            )
    return DeviceMap.model_validate(
        {
            "format": "buswitness-map/1",
            "site": "Tarn Hollow Water Works",
            "lineup": "MSB-1",
            "system": {"voltage_v": 480, "frequency_hz": 60},
            "devices": devices,
        }
    )


def staged_lineup(lineup_map: DeviceMap) -> Lineup:
    """A lineup of the map; the faces never look into profiles."""
    return Lineup(map=lineup_map, profiles={}, map_texts=(), profile_texts=())


def found(check: str, tag: str, verdict: Verdict, title: str, danger: int = 0, **facts: object) -> Finding:
    """A finding in few words."""
    return Finding(check=check, subject=tag, verdict=verdict, title=title, danger=danger, **facts)  # type: ignore[arg-type]


def findings_of(tag: str) -> tuple[Finding, ...]:
    """What the staged judge says of a device."""
    alive = found("reach.answers", tag, Verdict.PASS, "Answers", observed="32 of 32 requests answered")
    bad = {
        "52-F3": (
            found(
                "sanity.range",
                tag,
                Verdict.FAIL,
                "Outside what the gear can show",
                6,
                point="voltage_ab",
                observed="4.099e-41",
                expected="432 to 528",
                unit="V",
                advice=f"Read the same value on the device's own display. {AT_THE_GEAR}",
                cause="word-order@52-F3",
            ),
        ),
        "52-F6": (
            found(
                "identity.serial",
                tag,
                Verdict.FAIL,
                "Another serial number than drawn",
                9,
                observed="QM-2231",
                expected="QM-2213",
                advice=f"Compare nameplate, tag and address; perhaps two changed places. {AT_THE_GEAR}",
            ),
        ),
        "PM-M2": (
            found(
                "clock.skew",
                tag,
                Verdict.REVIEW,
                "Clock may stand outside its tolerance",
                2,
                observed="1.9",
                uncertainty="0.5",
                expected="at most 2.0",
                unit="s",
                advice="Read the clock again with a longer --dwell: the interval straddles the limit.",
            ),
        ),
        "52-F12": (
            found("clock.skew", tag, Verdict.NOT_TESTED, "Clock: not tested, no usable reference clock", 2),
        ),
    }
    if tag in ("52-F7", "52-F8", "PM-F7", "GW-2"):
        return (
            found(
                "reach.answers",
                tag,
                Verdict.FAIL,
                "Does not answer: nothing comes back within the time allowed",
                7,
                observed="3 requests, no answer",
                expected="an answer",
                advice=f"Check supply and cable of the device. {AT_THE_GEAR}",
                cause="gateway-down@GW-2",
            ),
        )
    return (alive, *bad.get(tag, ()))


CAUSES = (
    Cause(
        id="gateway-down@GW-2",
        kind="gateway down",
        subjects=("GW-2", "52-F7", "52-F8", "PM-F7"),
        statement="The gateway GW-2 does not answer; nothing behind it can be reached through it.",
        confidence_permille=950,
        explains=("reach.answers@GW-2", "reach.answers@52-F7", "reach.answers@52-F8", "reach.answers@PM-F7"),
        fix=f"Check the gateway's control power and its network cable. {AT_THE_GEAR}",
    ),
    Cause(
        id="word-order@52-F3",
        kind="word order",
        subjects=("52-F3",),
        statement="The words of 52-F3 come in the order CDAB; its profile says ABCD.",
        confidence_permille=990,
        explains=("sanity.range@52-F3#voltage_ab",),
        fix="Give the device the profile of its firmware, or correct the order in the profile.",
    ),
)


def staged_plan(lineup: Lineup, left_out: Sequence[str] = ()) -> RunPlan:
    """A plan for all devices but those left out."""
    tags = tuple(device.tag for device in lineup.map.devices if device.tag not in left_out)
    scope = Scope(tags=tags, left_out=tuple(left_out))
    return RunPlan(lineup=lineup, scope=scope, requests=32 * len(tags), seconds=24.0, expectations=())


def exchange(tag: str, milliseconds: float, outcome: Outcome = Outcome.DATA) -> Exchange:
    """One exchange of that length."""
    end = 1_000_000_000 + int(milliseconds * 1e6)
    return Exchange(
        tag, Purpose.POLL, Framing.MBAP, 0, 1, 1_000_000_000, end, outcome, 0, b"\0" * 12, b"\0" * 12
    )


def tell(observer: Observer, plan: RunPlan, *, devices: int) -> None:
    """Tell the run so far that the first so many devices are done, two are being read, others wait."""
    observer.run_started(plan)
    for number, tag in enumerate(plan.scope.tags):
        if number >= devices + 2:
            break
        silent = tag in ("52-F7", "52-F8", "PM-F7", "GW-2")
        observer.phase(tag, Phase.POLLING)
        outcome = Outcome.NO_ANSWER if silent else Outcome.DATA
        for _ in range(32 if number < devices else 9):
            observer.exchange(exchange(tag, 3.0 + 7 * number, outcome))
        if number < devices:
            observer.judged(tag, findings_of(tag), final=False)
            observer.phase(tag, Phase.DONE)


def staged_result(plan: RunPlan, *, healthy: bool = False, why_incomplete: str = "") -> AuditResult:
    """The result of the staged run."""
    findings = [finding for tag in plan.scope.tags for finding in findings_of(tag)]
    if healthy:
        findings = [found("reach.answers", tag, Verdict.PASS, "Answers") for tag in plan.scope.tags]
    return AuditResult(
        lineup=plan.lineup,
        scope=plan.scope,
        started_wall_ns=BEGUN_NS,
        finished_wall_ns=BEGUN_NS + 24_300_000_000,
        complete=not why_incomplete,
        why_incomplete=why_incomplete,
        findings=tuple(findings),
        causes=() if healthy else CAUSES,
        requests=812,
    )


@pytest.fixture
def plan() -> RunPlan:
    """The plan of the staged run, one device left out by the user."""
    return staged_plan(staged_lineup(staged_map()), left_out=("UPS-1",))


@pytest.fixture
def staged() -> SimpleNamespace:
    """What stages a run, for tests that need more than the plan."""
    return SimpleNamespace(
        exchange=exchange,
        findings_of=findings_of,
        found=found,
        plan_of=lambda gear: staged_plan(staged_lineup(staged_map(gear))),
        result=staged_result,
        tell=tell,
    )
