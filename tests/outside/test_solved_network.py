"""A network solved by pandapower (general-purpose power flow), shown through our profiles' registers.

Main-tie-main as in the practice lineup: two supplies with their transformers, twelve feeders with unbalanced
loads, each on its cable. pandapower solves voltages, currents and flows of all phases; nothing of our own
electrical model is in them. The instruments then err within their class, and everything is judged whole:
without a fault all passes; each fault is seen by the check that must see it.

Source: pandapower 3, ``runpp_3ph`` (three-phase power flow by sequence components).
"""

from __future__ import annotations

import asyncio
import cmath
import math
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from probe.collect.agent import audit, prepare
from probe.collect.inputs import open_lineup
from probe.model.finding import Verdict
from probe.model.scope import Scope
from probe.practice import lineup as practice_module
from probe.practice.lineup import practice
from probe.practice.offline import Audited, Visit, audit_offline
from probe.practice.part import Part
from probe.practice.physics import NOTHING, Flow, Phasors
from probe.practice.roster import roster
from probe.practice.scenario import bundled_scenario
from probe.wire.system_clock import SystemClock

pandapower = pytest.importorskip("pandapower", reason="pandapower is not installed")

PHASES = "abc"
LOW_KV = 0.48
#: Feeder: bus, MW, power factor, share of each phase.
LOADS: dict[str, tuple[int, float, float, tuple[float, float, float]]] = {
    "52-F1": (1, 0.205, 0.86, (0.34, 0.33, 0.33)),
    "52-F2": (1, 0.190, 0.88, (0.33, 0.33, 0.34)),
    "52-F3": (1, 0.140, 0.84, (0.333, 0.334, 0.333)),
    "52-F4": (1, 0.110, 0.80, (0.37, 0.33, 0.30)),
    "52-F5": (1, 0.055, 0.93, (0.40, 0.28, 0.32)),
    "52-F7": (2, 0.250, 0.87, (0.33, 0.34, 0.33)),
    "52-F8": (2, 0.240, 0.89, (0.33, 0.33, 0.34)),
    "52-F9": (2, 0.150, 0.85, (0.34, 0.33, 0.33)),
    "52-F10": (2, 0.045, 0.96, (0.42, 0.30, 0.28)),
    "52-F11": (2, 0.085, 0.98, (0.34, 0.33, 0.33)),
    "52-F12": (2, 0.038, 0.79, (0.36, 0.34, 0.30)),
}


@dataclass(frozen=True)
class Solved:
    """What pandapower found, in the form in which the practice lineup's instruments ask for it."""

    flows: Mapping[str, Flow]

    def frequency(self, time_s: float) -> float:
        return 60.0 + 0.0 * time_s

    def flow(self, tag: str, time_s: float) -> Flow:
        return self.flows[tag]

    def energy(self, tag: str, phase: int, time_s: float) -> tuple[float, float]:
        """Constant power, so its integral is a product."""
        flow = self.flows[tag]
        power = flow.voltages[phase] * flow.currents[phase].conjugate()
        return power.real * time_s / 3600, power.imag * time_s / 3600


def solve(*, main_2: bool = True, tie: bool = False) -> Solved:
    """The network's solution, with main 2 and the tie as said."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of pandas and friends, none of ours
        return _solve(main_2=main_2, tie=tie)


@lru_cache(maxsize=4)
def _solve(*, main_2: bool, tie: bool) -> Solved:
    net = pandapower.create_empty_network(f_hz=60)
    buses = {1: _supply(net, 1.02), 2: _supply(net, 1.015)}
    net.line.loc[buses[2][1], "in_service"] = main_2
    joint = pandapower.create_line_from_parameters(
        net, buses[1][0], buses[2][0], 0.004, 0.02, 0.03, 0, 3, r0_ohm_per_km=0.06, x0_ohm_per_km=0.1,
        c0_nf_per_km=0, in_service=tie,
    )  # fmt: skip
    lines = {tag: _feeder(net, buses[load[0]][0], load) for tag, load in LOADS.items()}
    pandapower.runpp_3ph(net, numba=False)
    flows = {tag: _at_line(net, line) for tag, line in lines.items()}
    for number, (bus, line) in buses.items():
        if number == 1 or main_2:
            flows[f"52-M{number}"] = _at_line(net, line, reverse=True)
        else:
            flows[f"52-M{number}"] = Flow(_unloaded(net, line), NOTHING, (0.0, 0.0, 0.0))
        flows.setdefault("52-F6", Flow(_voltages(net, bus), NOTHING, (0.0, 0.0, 0.0)))
    through = _at_line(net, joint) if tie else Flow(_voltages(net, buses[1][0]), NOTHING, (0.0, 0.0, 0.0))
    return Solved({**flows, "52-T": through})


def _supply(net: Any, level: float) -> tuple[int, int]:
    """A medium-voltage supply, its transformer and bus bars; returns the bus and the line in between."""
    high = pandapower.create_bus(net, 13.8)
    terminals = pandapower.create_bus(net, LOW_KV)
    bus = pandapower.create_bus(net, LOW_KV)
    pandapower.create_ext_grid(
        net, high, vm_pu=level, s_sc_max_mva=500, s_sc_min_mva=400, rx_max=0.1, rx_min=0.1, r0x0_max=0.1,
        x0x_max=1.0,
    )  # fmt: skip
    pandapower.create_transformer_from_parameters(
        net, high, terminals, sn_mva=2.0, vn_hv_kv=13.8, vn_lv_kv=LOW_KV, vkr_percent=1.0, vk_percent=5.75,
        pfe_kw=2.5, i0_percent=0.3, shift_degree=30, vector_group="Dyn", vk0_percent=5.75, vkr0_percent=1.0,
        mag0_percent=100, mag0_rx=0, si0_hv_partial=0.9,
    )  # fmt: skip
    line = pandapower.create_line_from_parameters(
        net, terminals, bus, 0.005, 0.02, 0.03, 0, 3, r0_ohm_per_km=0.06, x0_ohm_per_km=0.1, c0_nf_per_km=0
    )
    return bus, line


def _feeder(net: Any, bus: int, load: tuple[int, float, float, tuple[float, float, float]]) -> int:
    """A cable with its unbalanced load; returns the cable."""
    _, active_mw, factor, split = load
    end = pandapower.create_bus(net, LOW_KV)
    line = pandapower.create_line_from_parameters(
        net, bus, end, 0.04, 0.06, 0.08, 0, 1, r0_ohm_per_km=0.2, x0_ohm_per_km=0.3, c0_nf_per_km=0
    )
    parts = {f"p_{p}_mw": active_mw * share for p, share in zip(PHASES, split, strict=True)}
    tangent = math.tan(math.acos(factor))
    parts |= {f"q_{p}_mvar": active_mw * s * tangent for p, s in zip(PHASES, split, strict=True)}
    pandapower.create_asymmetric_load(net, end, type="wye", **parts)
    return int(line)


def _voltages(net: Any, bus: int) -> Phasors:
    row = net.res_bus_3ph.loc[bus]
    size = 1000 * LOW_KV / math.sqrt(3)
    a, b, c = (cmath.rect(size * row[f"vm_{p}_pu"], math.radians(row[f"va_{p}_degree"])) for p in PHASES)
    return a, b, c


def _unloaded(net: Any, line: int) -> Phasors:
    """What the instruments of an open main see: its transformer's terminals."""
    return _voltages(net, int(net.line.loc[line, "from_bus"]))


def _at_line(net: Any, line: int, *, reverse: bool = False) -> Flow:
    """Voltages and currents at a line's head (its far end for a supply, whose instruments sit at the bus)."""
    row, end = net.res_line_3ph.loc[line], "to" if reverse else "from"
    voltages = _voltages(net, int(net.line.loc[line, f"{end}_bus"]))
    sign = -1.0 if reverse else 1.0
    currents = []
    for phase, volts in zip(PHASES, voltages, strict=True):
        power = 1e6 * sign * complex(row[f"p_{phase}_{end}_mw"], row[f"q_{phase}_{end}_mvar"])
        current = (power / volts).conjugate()
        assert abs(current) == pytest.approx(1000 * row[f"i_{phase}_{end}_ka"], rel=1e-6)
        currents.append(current)
    a, b, c = currents
    return Flow(voltages, (a, b, c), (0.0, 0.0, 0.0))


HEALTHY = bundled_scenario("healthy")


def judged(truth: Solved, alter: Callable[[Mapping[str, Part]], None] | None = None) -> Audited:
    """The whole lineup on the solved network. truth: stands where the practice lineup has its own plant."""
    return audit_offline(HEALTHY, Visit(at_s=20.0), truth=truth, alter=alter)  # type: ignore[arg-type]


def failing(audited: Audited) -> set[tuple[str, str]]:
    """(check, subject) of what fails; without sockets there is no reference clock, which is left out."""
    failed = (f for f in audited.conclusion.findings if f.verdict is Verdict.FAIL)
    return {(f.check, f.subject) for f in failed if f.check != "run.reference"}


def test_the_solution_is_one() -> None:
    """Kirchhoff at the bus, with pandapower's own numbers: the main brings what the feeders take."""
    flows = solve().flows
    for phase in range(3):
        out = sum(flows[tag].currents[phase] for tag, load in LOADS.items() if load[0] == 1)
        assert abs(out - flows["52-M1"].currents[phase]) < 1e-3 * abs(out)


def test_a_sound_network_passes_whole() -> None:
    audited = judged(solve())
    electrical = audited.findings("electrical.")
    assert {f.verdict for f in electrical} == {Verdict.PASS}, audited.bad("electrical.")
    assert not failing(audited)
    for check in ("electrical.feeders", "electrical.same_circuit", "electrical.bus_voltage"):
        assert audited.findings(check)


def test_with_the_tie_closed_one_main_brings_all() -> None:
    def stand(parts: Mapping[str, Part]) -> None:
        parts["52-M2"].breaker, parts["52-T"].breaker = "open", "closed"

    audited = judged(solve(main_2=False, tie=True), stand)
    (balance,) = audited.findings("electrical.feeders", tag="52-M1")
    assert balance.verdict is Verdict.PASS
    assert "52-M1 and 52-M2 together" in balance.title
    # What is drawn otherwise is told as such, and is the only thing that fails.
    assert failing(audited) == {("state.breaker", "52-M2"), ("state.breaker", "52-T")}


def rewired(tag: str, *currents: tuple[int, int]) -> Callable[[Mapping[str, Part]], None]:
    """Inputs a, b, c of an instrument get these phases' currents with these signs."""
    return lambda parts: parts[tag].rewire(*currents)


def gained(tag: str, *, amps: float = 1.0, volts: float = 1.0) -> Callable[[Mapping[str, Part]], None]:
    """An instrument whose ratio is set for other transformers."""

    def alter(parts: Mapping[str, Part]) -> None:
        known = parts[tag].instrument
        assert known is not None
        parts[tag].instrument = replace(
            known, amp_gain=known.amp_gain * amps, volt_gain=known.volt_gain * volts
        )

    return alter


#: Name, what is done, and who must tell it.
FAULTS: tuple[tuple[str, Callable[[Mapping[str, Part]], None], set[tuple[str, str]]], ...] = (
    (
        "one current transformer turned round",
        rewired("52-F7", (0, 1), (1, -1), (2, 1)),
        {("electrical.direction", "52-F7"), ("electrical.triangle", "52-F7")},
    ),
    (
        "the same where only totals are shown",
        rewired("52-F3", (0, 1), (1, -1), (2, 1)),
        {("electrical.power", "52-F3")},
    ),
    ("two exchanged", rewired("MTR-M1", (0, 1), (2, 1), (1, 1)), {("electrical.triangle", "MTR-M1")}),
    ("all rolled", rewired("MTR-F7", (1, 1), (2, 1), (0, 1)), {("electrical.same_circuit", "MTR-F7")}),
    ("a main's ratio twice as large", gained("52-M2", amps=2.0), {("electrical.same_circuit", "MTR-M2")}),
    ("a feeder's ratio ten times too large", gained("52-F8", amps=10.0), {("electrical.feeders", "52-M2")}),
    ("a voltage ratio off by a tenth", gained("52-F2", volts=0.9), {("electrical.bus_voltage", "52-M1")}),
    ("a ratio set for another core", gained("52-F5", amps=45.0), {("electrical.rating", "52-F5")}),
)


@pytest.mark.parametrize(("name", "alter", "expected"), FAULTS, ids=[name for name, _, _ in FAULTS])
def test_the_right_check_fails(
    name: str, alter: Callable[[Mapping[str, Part]], None], expected: set[tuple[str, str]]
) -> None:
    seen = judged(solve(), alter)
    told = {
        (f.check, f.subject) for f in seen.conclusion.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW)
    }
    assert expected <= told, told
    assert expected & failing(seen)


def test_a_sound_network_passes_over_real_sockets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(practice_module, "plant_of", lambda stage, seed: solve())

    async def run() -> list[tuple[str, str, str]]:
        async with practice(HEALTHY, directory=tmp_path) as lineup:
            drawn, _ = open_lineup(lineup.map_path)
            scope = Scope(tags=tuple(device.tag for device in drawn.map.devices))
            result = await audit(
                prepare(drawn, scope),
                ledger=_Nothing(),
                observers=(),
                clock=SystemClock(),
                stop=asyncio.Event(),
            )
        return [
            (f.check, f.subject, f.verdict.value)
            for f in result.findings
            if f.check.startswith("electrical.")
        ]

    findings = asyncio.run(run())
    assert len(findings) > 100
    assert [f for f in findings if f[2] != "pass"] == []


class _Nothing:
    """A ledger that counts and keeps nothing."""

    def __init__(self) -> None:
        self.kept = 0

    def keep(self, evidence: Any) -> int:
        self.kept += 1
        return self.kept

    def expect(self, expectations: Any) -> None: ...

    def conclude(self, findings: Any, causes: Any) -> None: ...

    def flush(self) -> None: ...


def test_every_circuit_of_the_drawing_is_solved() -> None:
    circuits = {entry.circuit for entry in roster().values() if entry.circuit}
    assert circuits <= set(solve().flows)
