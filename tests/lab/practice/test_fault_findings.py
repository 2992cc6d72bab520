"""Each fault of the practice lineup, audited whole: the right check speaks, and nobody else is blamed.

All audits run at the same time (each mostly waits), with copies of the bundled profiles that wait less.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import pytest

from probe.collect.agent import audit, prepare
from probe.collect.events import AuditResult
from probe.collect.inputs import bundled_profiles, open_library, open_lineup
from probe.model.evidence import Evidence, Note
from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.model.scope import Scope
from probe.practice.fault import Fault, FaultKind
from probe.practice.faults import FAULTS
from probe.practice.lineup import practice
from probe.practice.scenario import Scenario, bundled_scenario, small_scenario
from probe.wire.system_clock import SystemClock

SHORTER = (
    (r"\bafter_s: [\d.]+", "after_s: 1.1"),
    (r"\btimeout_s: [\d.]+", "timeout_s: 0.75"),
    (r"\bfirst_timeout_s: [\d.]+", "first_timeout_s: 0.8"),
)
READS = {1, 2, 3, 4, 0x2B}
AT_ONCE = 6


class Outcome(NamedTuple):
    """What an audit said, every function code that was sent, and whether this computer was held up."""

    result: AuditResult
    functions: set[int]
    held_up: bool


class Nothing:
    """A ledger that counts and keeps nothing, but knows whether this computer was held up."""

    def __init__(self) -> None:
        self.kept = 0
        self.held_up = False

    def keep(self, evidence: Evidence) -> int:
        self.kept += 1
        self.held_up |= isinstance(evidence, Note) and evidence.topic == "stalled"
        return self.kept

    def expect(self, expectations: tuple[Expectation, ...]) -> None: ...

    def conclude(self, findings: tuple[Finding, ...], causes: tuple[Cause, ...]) -> None: ...

    def flush(self) -> None: ...


def scenario_of(kind: FaultKind) -> Scenario:
    """A small lineup with the one fault: its device, the reference clock, and whom it needs."""
    point, number = ("group_a_ltpu", 99.0) if "point" in kind.needs else ("", None)
    fault = Fault(kind=kind.name, at=kind.at, partner=kind.partner, point=point, number=number)
    tags = {kind.at, "MC-1", kind.partner or kind.at, *kind.among}
    return small_scenario(tags, [fault])


async def audited(scenario: Scenario, folder: Path, profiles: Path) -> Outcome:
    """The scenario's lineup, up for one audit of all its devices."""
    async with practice(scenario, directory=folder, profiles=open_library((profiles,))) as lineup:
        drawn, warnings = open_lineup(lineup.map_path, (profiles,))
        assert not warnings
        scope = Scope(tags=tuple(device.tag for device in drawn.map.devices))
        ledger = Nothing()
        result = await audit(
            prepare(drawn, scope), ledger=ledger, observers=(), clock=SystemClock(), stop=asyncio.Event()
        )
        functions = {code for host in lineup.hosts.values() for code in host.tally.functions}
    return Outcome(result, functions, ledger.held_up)


async def audited_in_peace(scenario: Scenario, folder: Path, profiles: Path) -> Outcome:
    """As ``audited``, again while the run says that it was held up: what a user is told to do, too."""
    for _ in range(3):
        said = await audited(scenario, folder, profiles)
        if not said.held_up:
            break
    return said


async def all_audited(folder: Path, profiles: Path) -> dict[str, Outcome | Exception]:
    """An audit of each fault, and of the healthy lineup whole."""
    turns = asyncio.Semaphore(AT_ONCE)

    async def one(name: str, scenario: Scenario) -> Outcome | Exception:
        async with turns:
            try:
                return await audited_in_peace(scenario, folder / name, profiles)
            except Exception as error:  # noqa: BLE001 - the test of this fault tells it
                return error

    scenarios = {kind.name: scenario_of(kind) for kind in FAULTS.values()}
    scenarios["healthy"] = bundled_scenario("healthy")
    said = await asyncio.gather(*(one(name, scenario) for name, scenario in scenarios.items()))
    return dict(zip(scenarios, said, strict=True))


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Outcome | Exception]:
    folder = tmp_path_factory.mktemp("faults")
    profiles = folder / "profiles"
    for name in ("profiles", "healthy", *FAULTS):
        (folder / name).mkdir()
    for path in bundled_profiles().glob("*.yaml"):
        text = path.read_text(encoding="utf-8")
        for pattern, replacement in SHORTER:
            text = re.sub(pattern, replacement, text)
        (profiles / path.name).write_text(text, encoding="utf-8")
    return asyncio.run(all_audited(folder, profiles))


def outcome(outcomes: Mapping[str, Outcome | Exception], name: str) -> Outcome:
    said = outcomes[name]
    if isinstance(said, Exception):
        raise said
    return said


def bad(result: AuditResult) -> list[Finding]:
    """Findings that say something is wrong or must be looked at."""
    return [f for f in result.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW)]


@pytest.mark.parametrize("kind", FAULTS.values(), ids=list(FAULTS))
def test_the_right_check_speaks(outcomes: Mapping[str, Outcome | Exception], kind: FaultKind) -> None:
    found = bad(outcome(outcomes, kind.name).result)
    mine = {f.check for f in found if f.subject in (kind.at, *kind.follows)}
    if kind.checks:
        assert mine & set(kind.checks), f"{kind.sees} Found instead: {sorted(mine)}"
    else:
        assert not mine


@pytest.mark.parametrize("kind", FAULTS.values(), ids=list(FAULTS))
def test_nobody_else_is_blamed(outcomes: Mapping[str, Outcome | Exception], kind: FaultKind) -> None:
    allowed = {kind.at, kind.partner, *kind.follows, "lineup"}
    assert [f.id for f in bad(outcome(outcomes, kind.name).result) if f.subject not in allowed] == []


@pytest.mark.parametrize("name", [*FAULTS, "healthy"])
def test_the_tool_only_ever_reads(outcomes: Mapping[str, Outcome | Exception], name: str) -> None:
    said = outcome(outcomes, name)
    assert said.result.complete
    assert said.functions <= READS


def test_a_healthy_lineup_has_no_findings(outcomes: Mapping[str, Outcome | Exception]) -> None:
    said = outcome(outcomes, "healthy")
    assert [(f.id, f.title) for f in bad(said.result)] == []
    assert said.result.causes == ()
    required = {(f.check, f.subject) for f in said.result.findings if f.verdict is Verdict.NOT_TESTED}
    assert len(required) <= 2


def test_swapped_devices_are_named_as_one_cause(outcomes: Mapping[str, Outcome | Exception]) -> None:
    causes = outcome(outcomes, "swapped-addresses").result.causes
    assert any(set(cause.subjects) >= {"52-F1", "52-F2"} for cause in causes)


def test_a_dead_gateway_is_one_cause(outcomes: Mapping[str, Outcome | Exception]) -> None:
    causes = outcome(outcomes, "gateway-down").result.causes
    assert any({"GW-1", "52-F3", "52-F4"} <= set(cause.subjects) for cause in causes)


#: Fault to the kind of cause that must come first at its device, and what its statement must name.
FIRST_CAUSE = {
    "word-order": ("register map", "byte order"),
    "address-off": ("register map", "+1"),
    "scale-off": ("scale", "10 times too large"),
    "reversed-ct": ("reversed current transformer", "phase B"),
    "swapped-phases": ("currents swapped", "B and C"),
    "other-order": ("reversed rotation", "two phases are exchanged"),  # one instrument alone tells no more
    "other-sign": ("sign of powers", "Active powers"),
    "swapped-addresses": ("swapped", "changed places"),
    "gateway-down": ("gateway", "GW-1"),
    "frozen": ("stale", "frozen"),
    "wrong-serial": ("other device", "another device"),
    "unit-dead": ("device silent", "does not answer"),
}


@pytest.mark.parametrize("name", FIRST_CAUSE)
def test_the_right_cause_comes_first(outcomes: Mapping[str, Outcome | Exception], name: str) -> None:
    causes = [c for c in outcome(outcomes, name).result.causes if FAULTS[name].at in c.subjects]
    kind, words = FIRST_CAUSE[name]
    assert causes, "no cause was given"
    assert causes[0].kind == kind, [(c.kind, c.statement) for c in causes]
    assert words in causes[0].statement
    assert causes[0].explains
    assert causes[0].fix
