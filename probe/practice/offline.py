"""The practice lineup without sockets: its registers asked as the collector would ask, and judged.

    audited = audit_offline(scenario, at_s=100.0)      the whole judgement of one moment

Time is the caller's: devices of one link take turns, links run side by side, and each answer takes as long as
is said, so that a slow bus can be made of a quick one. For tests and benchmarks of the judge; what happens on
the wire is not in it.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from probe.collect.device_plan import DevicePlan, Step, plan_device, price_of
from probe.collect.inputs import open_library
from probe.judge import Conclusion, DeviceJudgement, conclude, judge_device
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.evidence import Anchor, Exchange, Framing, Outcome
from probe.model.finding import Finding
from probe.model.lineup import Lineup
from probe.model.map_load import load_lineup
from probe.model.pdu import read_reply
from probe.model.profile_load import ProfileLibrary
from probe.model.scope import Scope
from probe.practice.clockwork import Moment
from probe.practice.drawing import map_text
from probe.practice.part import Part
from probe.practice.physics import Plant
from probe.practice.protection import STUDY_NAME, study_text
from probe.practice.scenario import Scenario
from probe.practice.stage import healthy_parts, hosts_of, plant_of, set_stage

SECOND = 1_000_000_000
TRUTH_S = 1_773_480_413.0

#: Registers of a device: (function, start, count) to words, at the lineup's time that ``clock`` shows.
Registers = Callable[[int, int, int], Sequence[int]]
#: What a test does to the parts before they play.
Alter = Callable[[Mapping[str, Part]], None]


@dataclass
class Clock:
    """The lineup's time, in the test's hand."""

    since_s: float = 0.0

    def __call__(self) -> Moment:
        return Moment(TRUTH_S + self.since_s, self.since_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """When a lineup is polled and how: how long each answer takes; more than one round is a dwell.

    at_s: the lineup's own time. One round also reads again what must have moved, after the pause.
    """

    at_s: float = 0.0
    reply_s: float = 0.008
    rounds: int = 1
    pause_s: float = 3.0

    @property
    def dwell_s(self) -> float:
        """How long the dwell is; 0 for one round."""
        return self.rounds * self.pause_s if self.rounds > 1 else 0.0


@dataclass(frozen=True)
class Audited:
    """What came of it."""

    lineup: Lineup
    judgements: dict[str, DeviceJudgement]
    conclusion: Conclusion

    def findings(self, prefix: str = "", *, tag: str = "") -> list[Finding]:
        """Findings of checks whose id begins so, of one subject or all."""
        return [
            f
            for f in self.conclusion.findings
            if f.check.startswith(prefix) and (not tag or f.subject == tag)
        ]

    def bad(self, prefix: str = "") -> list[tuple[str, str, str, str, str]]:
        """What is neither passed nor left out, to read."""
        return [
            (
                f.verdict.value,
                f.check,
                f.subject,
                f.title,
                f"{f.observed} | {f.expected} {f.unit} {f.uncertainty}",
            )
            for f in self.findings(prefix)
            if f.verdict.value != "pass"
        ]


@lru_cache(maxsize=1)
def library() -> ProfileLibrary:
    """The bundled profiles."""
    return open_library()


def practice_lineup(
    scenario: Scenario, clock: Clock, truth: Plant | None = None, alter: Alter | None = None
) -> tuple[Lineup, dict[str, Registers]]:
    """The lineup as drawn, and the registers that answer at each tag's place.

    truth: another power side than the scenario's own. alter: what is done to the parts, unknown to the map.
    """
    drawn = list(healthy_parts(scenario, library().get).values())
    stage = set_stage(scenario, healthy_parts(scenario, library().get), TRUTH_S)
    if alter is not None:
        alter(stage.parts)
    hosts = hosts_of(stage, truth or plant_of(stage, scenario.seed), clock)
    places = {tag: (f"127.0.0.{n + 2}", 502) for n, tag in enumerate(hosts)}
    texts = {"map.yaml": map_text(drawn, places), STUDY_NAME: study_text(drawn)}
    lineup, _ = load_lineup("map.yaml", lambda name: texts[name].encode(), library())
    registers: dict[str, Registers] = {}
    for device in lineup.map.devices:
        via = device.address.via
        unit = hosts[via].units[device.address.unit] if via else hosts[device.tag].own
        registers[device.tag] = unit.registers.read
    return lineup, registers


def exchanges_of(
    lineup: Lineup,
    registers: Mapping[str, Registers],
    clock: Clock,
    visit: Visit,
) -> dict[str, list[tuple[int, Exchange]]]:
    """Polls of all devices: links side by side, devices of a link in turn; more rounds after a pause."""
    taken: dict[str, list[tuple[int, Exchange]]] = {tag: [] for tag in registers}
    links: dict[str, list[str]] = {}
    for tag in registers:
        links.setdefault(lineup.map.target(tag).link, []).append(tag)
    sequence = 10
    for tags in links.values():
        at_s = visit.at_s
        plans = {tag: _plan(lineup, tag) for tag in tags}
        for number in range(max(visit.rounds, 2)):
            for tag, step in _steps(plans, number, dwell=visit.rounds > 1):
                clock.since_s = at_s + visit.reply_s / 2
                sequence += 1
                taken[tag].append((sequence, _exchange(tag, step, registers[tag], number, at_s, visit)))
                at_s += visit.reply_s + lineup.profile_of(lineup.map.by_tag[tag]).limits.gap_s
            at_s += visit.pause_s
    return taken


def _steps(plans: Mapping[str, DevicePlan], number: int, *, dwell: bool) -> list[tuple[str, Step]]:
    """What is asked in a round: everything, then polls again (dwell) or only what must have moved."""
    if number == 0:
        return [(tag, step) for tag, plan in plans.items() for step in (*plan.identity, *plan.poll)]
    return [(tag, step) for tag, plan in plans.items() for step in (plan.poll if dwell else plan.freshness)]


def _plan(lineup: Lineup, tag: str) -> DevicePlan:
    device = lineup.map.by_tag[tag]
    profile = lineup.profile_of(device)
    return plan_device(profile, device.register_shift, price_of(lineup.map.target(tag), profile.limits))


def _exchange(tag: str, step: Step, read: Registers, number: int, at_s: float, visit: Visit) -> Exchange:
    function, start, count = struct.unpack(">BHH", step.pdu)
    words = read(function, start, count)
    if function <= 2:
        payload = sum(int(w) << n for n, w in enumerate(words)).to_bytes((count + 7) // 8, "little")
    else:
        payload = b"".join(int(w).to_bytes(2, "big") for w in words)
    sent_ns, received_ns = round(at_s * SECOND), round((at_s + visit.reply_s) * SECOND)
    return Exchange(
        tag, step.purpose, Framing.MBAP, number, 1, sent_ns, received_ns, Outcome.DATA, 0,
        framed(step.pdu), framed(read_reply(function, payload)),
    )  # fmt: skip


def framed(pdu: bytes) -> bytes:
    """A Modbus TCP frame with some transaction id."""
    return struct.pack(">HHHB", 1, 0, len(pdu) + 1, 255) + pdu


def judge_all(lineup: Lineup, taken: Mapping[str, list[tuple[int, Exchange]]], visit: Visit) -> Audited:
    """The whole judgement of some evidence."""
    scope = Scope(tags=tuple(taken), dwell_s=visit.dwell_s)
    run = RunEvidence(anchors=((1, Anchor(0, round(TRUTH_S * SECOND))),))
    judgements = {
        tag: judge_device(lineup, scope, DeviceEvidence(tag=tag, exchanges=tuple(exchanges)), run)
        for tag, exchanges in taken.items()
    }
    return Audited(lineup, judgements, conclude(lineup, scope, judgements, run))


def audit_offline(
    scenario: Scenario,
    visit: Visit | None = None,
    *,
    truth: Plant | None = None,
    alter: Alter | None = None,
) -> Audited:
    """A practice lineup polled once, and judged. visit: when and how; truth, alter: see practice_lineup."""
    clock, visit = Clock(), visit or Visit()
    lineup, registers = practice_lineup(scenario, clock, truth, alter)
    return judge_all(lineup, exchanges_of(lineup, registers, clock, visit), visit)
