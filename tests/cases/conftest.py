"""Cases of the checks: one YAML a check, told as what differs from a healthy device.

    check: state.breaker
    cases:
      - name: closed where the map says open
        expect: fail                     pass, fail, review or not tested; several findings: the worst
        device: {state: {breaker: open}} entry in the map, merged over the usual one
        profile: case-local              another profile of tests/cases/profiles
        map: {tolerances: {reply_ms: 10}}
        study: {devices: [...]}          a study of settings
        scope: {quick: true, dwell_s: 60}
        values: {breaker_state: 1}       points from the first round on (null: not available)
        later: {heartbeat: 5}            points from the second round on
        registers: {105: "7FC0 0001"}    raw registers, over the values
        shift: 1                         the device counts its registers so much higher
        order: CDAB                      the device exchanges the words of its floats
        objects: {0: Quellmark}          what it says to Read Device Identification
        wire: [...]                      what the wire did to which requests (see Wire)
        connects: [refused]              connections of its link, before the requests
        disconnects: [1, 9]              closed by the device, after so many requests
        again: [QM-0001, QM-0002]        serial numbers that it shows when asked again, in later rounds
        series: [[60, {energy: 5}], ...] more polls of case-circuit's electrical points, seconds and values
        clock_s: 3.0                     seconds ahead (also clock_shows, _stopped, _order)
        clock_series: [[0.3, 0], ...]    readings of its clock: seconds since the run's start, seconds that
                                         it shows after WALL_S; or a list of raw registers in hexadecimal
        clock_set: {at_s: 2.0}           its clock was set (also decision, reason, outcome, exception)
        run: {step_s: 5}                 the run: step_s, reference, servers, notes
        devices: [{tag: F2, ...}, ...]   several devices, each with the fields above
        agents: {SW-1: {...}}            switches and supplies asked by SNMP, in a survey (see Agents)
        loss: {ring-1: {...}}            links that were pulled and put back (see loss_evidence)
        holds: {title: "should be open"} parts of the finding's texts, and exact point

The conversation is made in the order in which the collector asks: identification, clock, proof points,
polls, units that the map does not hold, then the second round.
"""

from __future__ import annotations

import importlib.util
import json
import struct
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from probe.judge import Conclusion, DeviceJudgement, conclude, judge_device
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.device_map import DeviceMap
from probe.model.evidence import (
    Anchor,
    ClockDecision,
    Connect,
    ConnectOutcome,
    Disconnect,
    Exchange,
    Framing,
    Neighbour,
    Note,
    Outcome,
    Purpose,
    ReferenceSample,
    Stray,
)
from probe.model.failover_evidence import Beat, LinkAct, LinkStep, Means
from probe.model.finding import Finding
from probe.model.lineup import Lineup, SourceText
from probe.model.pdu import exception_reply, identification_request, read_reply, read_request
from probe.model.profile import Area, Profile
from probe.model.profile_load import ProfileLibrary
from probe.model.register_image import Image, block_payload, register_image
from probe.model.scope import Scope, SurveyScope
from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome, SnmpRequest
from probe.model.snmp_objects import BY_NAME
from probe.model.snmp_values import Binding, Kind, encode, oid_of
from probe.model.study import Study
from probe.model.study_load import load_study
from probe.model.write_pdu import write_reply, write_requests

HERE = Path(__file__).parent
WALL_S = 1_773_480_413  # 2026-03-14T09:26:53Z
SECOND = 1_000_000_000

HEALTHY: dict[str, Any] = {
    "map_proof": 0x5AA5,
    "float_proof": struct.unpack(">f", struct.pack(">f", 123.456))[0],
    "spare": 7,
    "serial_number": "QM-0001",
    "sensor_rating": 800,
    "voltage_ab": 480.0,
    "voltage_bc": 481.5,
    "frequency": 60.0,
    "current_a": 212.5,
    "temperature": 31.5,
    "energy": 1_000_000,
    "operations": 17,
    "breaker_state": 1,
    "cradle_position": 1,
    "maintenance_mode": 0,
    "bus_flags": 3,
    "trip_flags": 0,
    "alarm_flags": 0,
    "heartbeat": 40_000,
    "uptime": 86_400,
    "group_a_ltpu": 800.0,
    "group_a_ltd": 8.0,
    "group_a_stpu": 4.0,
    "group_a_std": 300,
    "group_a_flags": 1,
    "active_group": 0,
    "remote_writing": 0,
    "overload_alarm": 760,
}
LATER: dict[str, Any] = {"heartbeat": 40_020, "uptime": 86_402, "current_a": 213.0, "energy": 1_000_098}
#: What a circuit of 480 V, 200 A, power factor 0.85 shows (profile case-circuit).
#: Source: S = V x I = 277.128 V x 200 A = 55 425.6 VA, P = 0.85 S, Q = sqrt(S2 - P2); computed.
CIRCUIT: dict[str, Any] = {
    **{f"voltage_{pair}": 480.0 for pair in ("ab", "bc", "ca")},
    **{f"voltage_{phase}": 277.128 for phase in "abc"},
    **{f"current_{phase}": 200.0 for phase in ("a", "b", "c", "average")},
    "current_n": 6.0,
    "current_g": 0.4,
    **{f"power_{phase}": 47_111.8 for phase in "abc"},
    **{f"reactive_power_{phase}": 29_197.1 for phase in "abc"},
    **{f"apparent_power_{phase}": 55_425.6 for phase in "abc"},
    "power_total": 141_335.4,
    "reactive_power_total": 87_591.3,
    "apparent_power_total": 166_276.9,
    "power_factor_total": 0.85,
    "distortion_voltage": 1.8,
    "distortion_current": 5.0,
    "unbalance_voltage": 0.1,
    "angle_voltage_a": 0.0,
    "angle_voltage_b": -120.0,
    "angle_voltage_c": 120.0,
    "angle_current_a": -31.8,
    "angle_current_b": -151.8,
    "angle_current_c": 88.2,
    "demand_power_total": 138_000.0,
    "energy_out": 0,
    "ct_ratio": 160.0,
}
OBJECTS = {0: "Quellmark", 1: "QT-9", 2: "2.4.1"}
DEVICE = {
    "tag": "F1",
    "kind": "trip-unit",
    "profile": "case-unit",
    "section": "A",
    "address": {"host": "127.0.0.1", "port": 1502, "unit": 255},
    "identity": {"serial": "QM-0001", "firmware": ">=2.4, <3"},
    "state": {"position": "connected", "breaker": "closed", "energized": True, "maintenance": "off"},
    "ratings": {"sensor_a": 800},
}
MAP = {
    "format": "buswitness-map/1",
    "site": "Tarn Hollow Water Works",
    "lineup": "MSB-1",
    "system": {"voltage_v": 480, "frequency_hz": 60},
}
#: The electrical points of case-circuit stand in one block from 300 on.
CIRCUIT_REGISTERS = 78
#: What is asked: purpose, round, function or 43, first address, count, seconds since the run's start.
READS = (
    ("identity", 0, 43, 0, 0, 0.1),
    ("identity", 0, 3, 4, 8, 0.2),
    ("clock", 0, 3, 200, 2, 0.3),
    ("proof", 0, 3, 0, 3, 0.4),
    ("poll", 0, 3, 0, 4, 0.5),
    ("poll", 0, 3, 100, 22, 0.6),
    ("poll", 0, 3, 300, CIRCUIT_REGISTERS, 0.65),
    ("poll", 0, 3, 400, 9, 0.68),
    ("absent unit", 0, 3, 0, 1, 0.7),
    ("freshness", 1, 3, 119, 3, 2.6),
    ("poll", 1, 3, 100, 22, 2.7),
    ("poll", 1, 3, 300, CIRCUIT_REGISTERS, 2.75),
    ("poll", 1, 3, 400, 9, 2.8),
    ("clock", 1, 3, 200, 2, 2.9),
)
REPLY_S = 0.005
DIRECT_KEYS = ("check", "cases")


@dataclass
class Wire:
    """What the wire did: to requests of a purpose (all if empty), of a round (any if None).

    outcome: instead of data. exception: code. reply_ms: instead of 5. attempt: number of the attempt.
    again: the request is repeated and then answered. response: hexadecimal bytes that came.
    """

    purpose: str = ""
    round: int | None = None
    start: int | None = None
    outcome: str = ""
    exception: int = 0
    reply_ms: float = 0.0
    again: bool = False
    times: int = 99
    response: str = ""

    def hits(self, read: tuple[Any, ...]) -> bool:
        purpose, number, _, start, _, _ = read
        fits = self.times > 0 and self.purpose in ("", purpose) and self.round in (None, number)
        return fits and self.start in (None, start)


def merged(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """over laid on base, dictionaries into each other; a null takes a key away."""
    result = dict(base)
    for key, value in over.items():
        if value is None:
            result.pop(key, None)
        elif isinstance(value, dict) and isinstance(result.get(key), dict):
            result[key] = merged(result[key], value)
        else:
            result[key] = value
    return result


def library() -> ProfileLibrary:
    """The profiles of the cases."""
    files = sorted((HERE / "profiles").glob("*.yaml"))
    return ProfileLibrary.of(SourceText(name=f.name, text=f.read_text("utf-8"), sha256=f.stem) for f in files)


LIBRARY = library()


@dataclass
class Told:
    """One device of a case, as told."""

    story: dict[str, Any]
    entry: dict[str, Any]
    sequence: int = 10
    exchanges: list[tuple[int, Exchange]] = field(default_factory=list)
    decisions: list[tuple[int, ClockDecision]] = field(default_factory=list)

    @property
    def tag(self) -> str:
        return str(self.entry["tag"])

    @property
    def profile(self) -> Profile:
        return LIBRARY.get(self.entry["profile"])

    def image(self, number: int) -> Image:
        """Registers of the device in a round."""
        known = self.profile.by_name
        told = dict(self.story.get("values", {}))
        usual = merged_values(HEALTHY, CIRCUIT if "voltage_ca" in known else {})
        values = merged_values(usual, told)
        if number:
            values = merged_values(
                values, {k: v for k, v in LATER.items() if k not in told and usual.get(k) == HEALTHY[k]}
            )
            values = merged_values(values, self.story.get("later", {}))
        image = register_image(self.profile, {k: v for k, v in values.items() if k in known})
        image.update(self.clock_image(number))
        for address, text in self.story.get("registers", {}).items():
            for index, word in enumerate(str(text).split()):
                image[(Area.HOLDING, int(address) + index)] = int(word, 16)
        if self.story.get("order") == "CDAB":
            image = exchanged(self.profile, image)
        shift = self.story.get("shift", 0)
        return {(area, address + shift): word for (area, address), word in image.items()}

    def clock_image(self, number: int) -> Image:
        if "clock" not in self.profile.by_name or number > 1:
            return {}
        at_s = next(read[5] for read in READS if read[0] == "clock" and read[1] == number)
        shown = self.story.get("clock_shows", WALL_S + at_s + self.story.get("clock_s", 0.0))
        if self.story.get("clock_shows") is not None:
            shown += 0 if self.story.get("clock_stopped") else number * 2.6
        seconds = int(shown)
        words = [seconds >> 16, seconds & 0xFFFF]
        if self.story.get("clock_order") == "CDAB":
            words.reverse()
        return {(Area.HOLDING, 200): words[0], (Area.HOLDING, 201): words[1]}

    def tell(self) -> DeviceEvidence:
        """The evidence of the device."""
        rules = [Wire(**rule) for rule in self.story.get("wire", [])]
        if not self.story.get("silent"):
            for read in READS:
                if self.is_asked(read):
                    self.ask(read, rules)
            for number, (at_s, shows) in enumerate(self.story.get("series", []), start=2):
                self.tell_round(number, at_s, shows)
            for at_s, shows in self.story.get("clock_series", []):
                self.tell_clock(at_s, shows)
            for number, shows in enumerate(self.story.get("again", []), start=1):
                self.tell_who(number, shows)
            if "clock_set" in self.story:
                self.tell_write(**self.story["clock_set"])
        last = self.story.get("stop_after")
        exchanges = tuple(self.exchanges if last is None else self.exchanges[:last])
        return DeviceEvidence(
            tag=self.tag,
            exchanges=exchanges,
            connects=tuple(self.connects()),
            disconnects=tuple(
                (80 + i, Disconnect("127.0.0.1:1502", SECOND * i, True, requests))
                for i, requests in enumerate(self.story.get("disconnects", []))
            ),
            strays=tuple(self.strays()),
            neighbours=tuple(
                (6 + i, Neighbour("127.0.0.1", self.tag, 0, address))
                for i, address in enumerate(self.story.get("neighbours", []))
            ),
            decisions=tuple(self.decisions),
            interrupted=bool(self.story.get("interrupted")),
        )

    def tell_round(self, number: int, at_s: float, shows: dict[str, Any]) -> None:
        """One more poll of the electrical points, with what they show then."""
        self.story = {**self.story, "later": {**self.story.get("later", {}), **shows}}
        self.add(("poll", number, 3, 300, CIRCUIT_REGISTERS, at_s), Wire(), 1, at_s)

    def tell_who(self, number: int, serial: str) -> None:
        """The serial number read once more in a later round."""
        self.story = {**self.story, "later": {**self.story.get("later", {}), "serial_number": serial}}
        self.add(("identity", number, 3, 4, 8, 3.0 + number), Wire(), 1, 3.0 + number)

    def tell_clock(self, at_s: float, shows: float | str) -> None:
        """One reading of the clock in 5 ms."""
        point = self.profile.by_name["clock"]
        raw = bytes.fromhex(shows) if isinstance(shows, str) else point.decoder.encode(WALL_S + shows)
        read = ("clock", 0, 3, point.start, point.count, at_s)
        self.add(read, Wire(response=read_reply(3, raw).hex()), 1, at_s)

    def tell_write(self, at_s: float = 0, outcome: str = "data", exception: int = 0, **decision: str) -> None:
        """The decision to set the clock and, if it was to be set, the write; readings after it come later."""
        made = {
            "decision": "set",
            "operator": "A. Tester",
            "said": self.tag,
            "reason": "",
            "plan": "as shown",
        }
        self.decisions = [(self.sequence, ClockDecision(self.tag, round(at_s * SECOND), **(made | decision)))]
        self.sequence += 1
        if not at_s:
            return
        (pdu,) = write_requests(16, 200, bytes(4))
        reply = exception_reply(16, exception) if exception else write_reply(pdu)
        sent = round(at_s * SECOND)
        frames = header(9, 255, pdu), header(9, 255, reply) if outcome != "no answer" else b""
        self.exchanges.append(
            (
                self.sequence,
                Exchange(
                    self.tag, Purpose.CLOCK_SET, Framing.MBAP, 2, 1, sent, sent + 5_000_000,
                    Outcome("exception" if exception else outcome), exception, *frames,
                ),
            )
        )  # fmt: skip
        self.sequence += 1

    def is_asked(self, read: tuple[Any, ...]) -> bool:
        purpose, number, _, start, count, _ = read
        if purpose == "clock" and "clock_series" in self.story:
            return False
        if start == 400:
            return "group_a_ltpu" in self.profile.by_name
        if start == 300:
            return "voltage_ca" in self.profile.by_name
        scope = self.story.get("scope", {})
        if scope.get("quick") and (number or purpose in ("clock", "absent unit")):
            return False
        if purpose == "absent unit":
            return "absent" in self.story
        if self.entry["profile"] == "case-gateway":
            return purpose == "poll" and start == 0
        return purpose == "identity" or count > 0

    def ask(self, read: tuple[Any, ...], rules: list[Wire]) -> None:
        """One request with all its attempts."""
        if read[0] == "absent unit":
            for unit, answer in self.story["absent"].items():
                self.ask_absent(read, int(unit), answer)
            return
        repeats = self.story.get("repeat", 1) if read[0] == "poll" else 1
        for turn in range(repeats):
            attempt, at_s = 1, read[5] + 0.01 * turn
            for rule in rules:
                if rule.hits(read):
                    rule.times -= 1
                    self.add(read, rule, attempt, at_s)
                    if not rule.again:
                        break
                    attempt, at_s = attempt + 1, at_s + 0.02
            else:
                self.add(read, Wire(), attempt, at_s)

    def ask_absent(self, read: tuple[Any, ...], unit: int, answer: Any) -> None:
        rule = Wire(outcome="no answer") if answer == "no answer" else Wire()
        if isinstance(answer, dict):
            rule = Wire(**answer)
        elif isinstance(answer, int):
            rule = Wire(response=f"03 02 {answer >> 8:02X} {answer & 255:02X}")
        self.add(read, rule, 1, read[5], unit=unit)

    def add(self, read: tuple[Any, ...], rule: Wire, attempt: int, at_s: float, unit: int = 255) -> None:
        """One attempt with its bytes."""
        purpose, number, function, start, count, _ = read
        shift = self.entry.get("register_shift", 0)
        pdu = identification_request() if function == 43 else read_request(function, start + shift, count)
        reply, outcome = self.reply(read, rule, shift)
        wait_s = rule.reply_ms / 1000 or (1.0 if outcome is Outcome.NO_ANSWER else REPLY_S)
        sent = round(at_s * SECOND)
        self.exchanges.append(
            (
                self.sequence,
                Exchange(
                    self.tag,
                    Purpose(purpose),
                    Framing.MBAP,
                    number,
                    attempt,
                    sent,
                    sent + round(wait_s * SECOND),
                    outcome,
                    rule.exception,
                    header(self.sequence, unit, pdu),
                    header(self.sequence, unit, reply) if reply else b"",
                ),
            )
        )
        self.sequence += 1

    def reply(self, read: tuple[Any, ...], rule: Wire, shift: int) -> tuple[bytes, Outcome]:
        _, number, function, start, count, _ = read
        if rule.exception:
            return exception_reply(function, rule.exception), Outcome.EXCEPTION
        if rule.outcome:
            return bytes.fromhex(rule.response), Outcome(rule.outcome)
        if rule.response:
            return bytes.fromhex(rule.response), Outcome.DATA
        if function == 43:
            return self.identification(), Outcome.DATA
        payload = block_payload(self.image(number), Area.HOLDING, start + shift, count)
        if self.story.get("block_slips") and read[0] == "poll":
            payload = block_payload(self.image(number), Area.HOLDING, start + shift + 1, count)
        return read_reply(function, payload), Outcome.DATA

    def identification(self) -> bytes:
        objects = merged_values(OBJECTS, self.story.get("objects", {}))
        body = b"".join(
            bytes((int(number), len(data))) + data
            for number, text in objects.items()
            if text is not None
            for data in [str(text).encode("latin-1")]
        )
        many = sum(text is not None for text in objects.values())
        return bytes((0x2B, 0x0E, 1, 1, 0, 0, many)) + body

    def connects(self) -> list[tuple[int, Connect]]:
        kinds = self.story.get("connects", ["open"])
        return [
            (i + 2, Connect("127.0.0.1:1502", 0, 1, ConnectOutcome(kind), "", ""))
            for i, kind in enumerate(kinds)
        ]

    def strays(self) -> list[tuple[int, Stray]]:
        return [
            (
                90 + i,
                Stray(
                    "127.0.0.1:1502", SECOND, Outcome(kind), bytes.fromhex("0001 0000 0003 FF83 02"), self.tag
                ),
            )
            for i, kind in enumerate(self.story.get("strays", []))
        ]


def merged_values(base: dict[Any, Any], over: dict[Any, Any]) -> dict[Any, Any]:
    """over laid on base; a null stays (it means not available, or an object that is not given)."""
    return {**base, **over}


def exchanged(profile: Profile, image: Image) -> Image:
    """The words of all floats exchanged, as a device of the other order shows them."""
    result = dict(image)
    for point in profile.points:
        first, second = (point.area, point.start), (point.area, point.start + 1)
        if point.type == "f32" and first in image:
            result[first], result[second] = image[second], image[first]
    return result


def header(transaction: int, unit: int, pdu: bytes) -> bytes:
    """A Modbus TCP frame."""
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


@dataclass
class Judged:
    """What the judge said of a case."""

    lineup: Lineup
    scope: Scope
    judgements: dict[str, DeviceJudgement]
    run: RunEvidence
    conclusion: Conclusion

    def findings(self, check: str) -> list[Finding]:
        """The findings of one check."""
        return [finding for finding in self.conclusion.findings if finding.check == check]


def run_evidence(told: dict[str, Any]) -> RunEvidence:
    """Anchors, reference and notes of a run."""
    wall = told.get("wall_s", WALL_S) * SECOND
    step = round(told.get("step_s", 0) * SECOND)
    reference = told.get("reference", {"low_s": -0.01, "high_s": 0.01})
    samples = ()
    if reference:
        samples = (
            (
                3,
                ReferenceSample(
                    "laptop", 0, 1,
                    round(reference.get("low_s", 0) * SECOND),
                    round(reference.get("high_s", 0) * SECOND),
                    not reference.get("unusable"),
                    reference.get("unusable", ""),
                    b"",
                ),
            ),
        )  # fmt: skip
    samples += tuple((20 + i, server_sample(**server)) for i, server in enumerate(told.get("servers", [])))
    return RunEvidence(
        anchors=((1, Anchor(0, wall)), (99, Anchor(5 * SECOND, wall + 5 * SECOND + step))),
        references=samples,
        notes=tuple(
            (4, Note(round(at_s * SECOND), topic, topic, *(round(s * SECOND) for s in since)))
            for topic, at_s, *since in told.get("notes", [])
        ),
    )


# --- Agents ------------------------------------------------------------------------------------------------
#
#   SW-1:
#     device: {ports: [...]}             entry in the map, over the usual one (kind: ups for a supply)
#     tells: {sysName: x, ifOperStatus: {1: 2}}   over a healthy switch with ports p1, p2, p3; null: no such
#     later: {ifInErrors: {1: 5}}        the second reading, over the first
#     dwell_s: 10                        between the two
#     outcome: no answer                 of all requests, instead of data (with detail)
#     ends: {ifName: not increasing}     of requests for one object
#
# A text that begins with "hex " is bytes.

SWITCH: dict[str, Any] = {
    "sysName": "switch", "sysDescr": "Brindlecote BS-8", "sysUpTime": 8_640_000,
    "snmpEngineID": "hex 80001f8804",
    "ifName": {1: "p1", 2: "p2", 3: "p3"}, "ifType": {1: 6, 2: 6, 3: 6},
    "ifAdminStatus": {1: 1, 2: 1, 3: 1}, "ifOperStatus": {1: 1, 2: 1, 3: 2},
    "ifHighSpeed": {1: 1000, 2: 100, 3: 0}, "dot3StatsDuplexStatus": {1: 3, 2: 3, 3: 1},
    "ifInErrors": {1: 7, 2: 0, 3: 0}, "ifOutErrors": {1: 0, 2: 0, 3: 0},
    "dot3StatsFCSErrors": {1: 7, 2: 0, 3: 0}, "dot3StatsLateCollisions": {1: 0, 2: 0, 3: 0},
    "ifInDiscards": {1: 3, 2: 0, 3: 0}, "ifOutDiscards": {1: 0, 2: 0, 3: 0},
    "ifHCInOctets": {1: 1000, 2: 1000, 3: 0}, "ifHCOutOctets": {1: 1000, 2: 1000, 3: 0},
    "ifHCInBroadcastPkts": {1: 10, 2: 20, 3: 0},
    "dot1dBaseBridgeAddress": "hex 02005e100001", "dot1dBasePortIfIndex": {1: 1, 2: 2, 3: 3},
    "dot1dStpDesignatedRoot": "hex 800002005e100001", "dot1dStpRootPort": 0, "dot1dStpTopChanges": 4,
    "dot1dStpTimeSinceTopologyChange": 360_000, "dot1dStpMaxAge": 2000, "dot1dStpHelloTime": 200,
    "dot1dStpForwardDelay": 1500, "dot1dStpPortState": {1: 5, 2: 5, 3: 1},
    "dot1dStpPortDesignatedBridge": {1: "hex 800002005e100001", 2: "hex 800002005e100001"},
    "lldpLocChassisId": "hex 02005e100001", "lldpLocChassisIdSubtype": 4,
    "lldpLocPortId": {1: "p1", 2: "p2", 3: "p3"},
    "entPhySensorType": {5: 8}, "entPhySensorScale": {5: 9}, "entPhySensorPrecision": {5: 1},
    "entPhySensorValue": {5: 415}, "entPhySensorOperStatus": {5: 1}, "entPhysicalName": {5: "Board"},
    "pethMainPsePower": {1: 120}, "pethMainPseOperStatus": {1: 1}, "pethMainPseConsumptionPower": {1: 30},
}  # fmt: skip
SUPPLY: dict[str, Any] = {
    "sysName": "supply", "sysUpTime": 8_640_000, "upsBatteryStatus": 2, "upsSecondsOnBattery": 0,
    "upsEstimatedMinutesRemaining": 95, "upsEstimatedChargeRemaining": 100, "upsOutputSource": 3,
    "upsAlarmsPresent": 0, "upsTestResultsSummary": 1,
}  # fmt: skip


def agent_entry(tag: str, number: int, story: dict[str, Any]) -> dict[str, Any]:
    """The map's entry of a switch or supply."""
    usual = {
        "tag": tag,
        "kind": "switch",
        "profile": "case-gateway",
        "section": "A",
        "address": {"host": f"127.0.1.{number}"},
        "snmp": {},
        "required": False,
    }
    return merged(usual, story.get("device", {}))


def agent_answers(tag: str, kind: str, first: int, story: dict[str, Any]) -> list[tuple[int, SnmpAnswer]]:
    """What an agent answered in the first reading and, after the dwell, in the second."""
    if not story.get("asked", True):
        return []
    usual = SUPPLY if kind == "ups" else SWITCH
    tells = merged(usual, story.get("tells", {}))
    dwell_s = story.get("dwell_s", 10)
    later = merged(tells, {"sysUpTime": tells.get("sysUpTime", 0) + round(100 * dwell_s)})
    later = merged(later, story.get("later", {}))
    found = []
    for turn, told, at_s in ((0, tells, 1.0), (1, later, 1.0 + dwell_s)):
        for name, value in told.items():
            if turn == 0 or story.get("later") != "none":
                number = first + len(found)
                found.append((number, agent_answer(tag, name, value, turn, at_s, story)))
    return found


def agent_answer(  # one request an object: the judge does not mind how many are asked together
    tag: str, name: str, value: Any, turn: int, at_s: float, story: dict[str, Any]
) -> SnmpAnswer:
    oid = BY_NAME[name].oid
    rows = value.items() if isinstance(value, dict) else [("0", value)]
    bindings = [
        Binding((*oid, *oid_of(str(index))), *agent_value(one)) for index, one in rows if one is not None
    ]
    outcome = SnmpOutcome(story.get("ends", {}).get(name, story.get("outcome", "data")))
    sent = round(at_s * SECOND)
    return SnmpAnswer(
        host="127.0.1.1:161",
        tag=tag,
        object="UPS" if name.startswith("ups") else name,
        round=turn,
        attempt=1,
        request=SnmpRequest.BULK,
        asked=".".join(map(str, oid)),
        sent_ns=sent,
        received_ns=sent + 5_000_000,
        outcome=outcome,
        detail=story.get("detail", ""),
        bindings=encode(bindings) if outcome is SnmpOutcome.DATA else b"",
    )


LOSS_STEPS = {
    "asked": 0.0, "ready": 0.1, "pull": 3.0, "pulled": 4.0, "plug": 8.0, "plugged": 9.0, "ended": 12.0
}  # fmt: skip


def loss_evidence(link: str, story: dict[str, Any], first: int) -> list[tuple[int, Any]]:
    """The test of a link: its steps, and a question to each tag every 0.1 s, answered after 2 ms.

    story: silent: {tag: [[from_s, to_s], ...]} no answers then; late: {tag: {at_s: by_s}}; until: the step
    with which it ended; steps: others than the usual ones.
    """
    steps = story.get("steps", LOSS_STEPS)
    found: list[tuple[int, Any]] = []
    for act, at_s in steps.items():
        step = LinkStep(round(at_s * SECOND), link, LinkAct(act), "?", "", "A. Tester")
        found.append((first + len(found), step))
    for tag, gaps in story.get("silent", {}).items():
        late = story.get("late", {}).get(tag, {})
        for tick in range(2, 120):
            at_s = tick / 10
            lost = any(low <= at_s < high for low, high in gaps)
            wait_s = 1.0 if lost else 0.002 + late.get(at_s, 0.0)
            sent = round(at_s * SECOND)
            outcome = "no answer" if lost else "data"
            beat = Beat(
                link, tag, "127.0.1.1", Means.ECHO, sent, sent + round(wait_s * SECOND), outcome, b"", b""
            )
            found.append((first + len(found), beat))
    return found


def agent_value(value: Any) -> tuple[Kind, Any]:
    if isinstance(value, int):
        return Kind.INTEGER, value
    if str(value).startswith("hex "):
        return Kind.OCTETS, bytes.fromhex(value[4:])
    return Kind.OCTETS, str(value).encode()


def server_sample(
    source: str, low_s: float = 0, high_s: float = 0, unusable: str = "", caveat: str = "", at_s: float = 0.1
) -> ReferenceSample:
    """One answer of an NTP server, as the wire judged it."""
    at, bounds = round(at_s * SECOND), (round(low_s * SECOND), round(high_s * SECOND))
    return ReferenceSample(source, at, at, *bounds, not unusable, unusable or caveat, b"")


def studies(case: dict[str, Any], tags: list[str]) -> dict[str, Study]:
    """The study of a case, which speaks of all its devices."""
    if "study" not in case:
        return {}
    head = {"site": MAP["site"], "lineup": MAP["lineup"], "reference": "S-1", "revision": "A"}
    head |= {"format": "buswitness-study/1", "date": "2026-02-11", "author": "Protection engineering"}
    loaded = load_study("study.yaml", json.dumps({**head, **case["study"]}))
    return dict.fromkeys(tags, loaded.study)


def judged_capture(case: dict[str, Any]) -> Any:
    """The judgement of a case that tells a capture; ``site: true`` judges it with a map."""
    spec = importlib.util.spec_from_file_location("capture_story", HERE / "capture_story.py")
    assert spec is not None
    assert spec.loader is not None
    story = sys.modules.setdefault("capture_story", importlib.util.module_from_spec(spec))
    spec.loader.exec_module(story)
    master = merged(DEVICE, {"tag": "MC-1", "kind": "master", "address": {"host": "127.0.0.7"}})
    devices = [merged(DEVICE, {"tag": "F1", "address": {"host": "127.0.0.1", "port": 502}}), master]
    return story.captured(case, {**MAP, "devices": devices} if case.get("site") else None)


def judged_survey(case: dict[str, Any]) -> Any:
    """The judgement of a case that tells a survey."""
    spec = importlib.util.spec_from_file_location("survey_story", HERE / "survey_story.py")
    assert spec is not None
    assert spec.loader is not None
    story = sys.modules.setdefault("survey_story", importlib.util.module_from_spec(spec))
    spec.loader.exec_module(story)
    return story.surveyed(case, MAP, DEVICE, LIBRARY)


def judged_checklist(case: dict[str, Any]) -> Any:
    """The judgement of a case that tells a field checklist."""
    spec = importlib.util.spec_from_file_location("checklist_story", HERE / "checklist_story.py")
    assert spec is not None
    assert spec.loader is not None
    story = sys.modules.setdefault("checklist_story", importlib.util.module_from_spec(spec))
    spec.loader.exec_module(story)
    return story.filled(case, {**merged(MAP, case.get("map", {})), "devices": [DEVICE]}, LIBRARY)


def judged_witness(case: dict[str, Any]) -> Any:
    """The judgement of a case that tells a witnessed step."""
    spec = importlib.util.spec_from_file_location("witness_story", HERE / "witness_story.py")
    assert spec is not None
    assert spec.loader is not None
    story = sys.modules.setdefault("witness_story", importlib.util.module_from_spec(spec))
    spec.loader.exec_module(story)
    return story.witnessed(case)


def judged(case: dict[str, Any]) -> Judged:
    """The whole judgement of a case."""
    if "checklist" in case:
        return judged_checklist(case)
    if "capture" in case:
        return judged_capture(case)
    if "survey" in case:
        return judged_survey(case)
    if "witness" in case:
        return judged_witness(case)
    told = case.get("devices") or [case]
    devices = []
    for index, story in enumerate(told):
        usual = merged(DEVICE, {"tag": f"F{index + 1}", "address": {"host": f"127.0.0.{index + 1}"}})
        entry = merged(usual, story.get("device", {}))
        if "via" in entry["address"]:
            entry["address"] = {"via": entry["address"]["via"], "unit": entry["address"].get("unit", 255)}
        entry["profile"] = story.get("profile", entry["profile"])
        devices.append(Told(merged({"scope": case.get("scope", {})}, story), entry))
    agents = case.get("agents", {})
    if agents:
        devices = [
            Told({"silent": True, "connects": []}, agent_entry(tag, number, story or {}))
            for number, (tag, story) in enumerate(agents.items(), start=1)
        ]
    text = merged(MAP, case.get("map", {}))
    text["devices"] = [device.entry for device in devices]
    lineup = Lineup(
        map=DeviceMap.model_validate(text),
        profiles={name: LIBRARY.get(name) for name in LIBRARY.names()},
        map_texts=(),
        profile_texts=(),
        studies=studies(case, [device.tag for device in devices]),
    )
    out = tuple(case.get("left_out", ()))
    tags = tuple(device.tag for device in devices if device.tag not in out)
    scope = Scope(tags=tags, left_out=out, **case.get("scope", {}))
    run = run_evidence(case.get("run", {}))
    if agents:
        scope = replace(scope, survey=SurveyScope(failover=tuple(case.get("loss", {}))))
        answers = [
            answer
            for number, device in enumerate(devices, start=1)
            for answer in agent_answers(
                device.tag, device.entry["kind"], 1000 * number, agents[device.tag] or {}
            )
        ]
        for number, (link, loss) in enumerate(case.get("loss", {}).items(), start=1):
            answers += loss_evidence(link, loss or {}, 100_000 * number)
        run = replace(run, network=tuple(answers))
    judgements = {
        device.tag: judge_device(lineup, scope, device.tell(), run)
        for device in devices
        if device.tag in tags and not device.story.get("never_reached")
    }
    return Judged(lineup, scope, judgements, run, conclude(lineup, scope, judgements, run))


def case_files() -> list[Path]:
    """One file a check."""
    return sorted(HERE.glob("*.yaml"))


def read_cases() -> list[tuple[str, dict[str, Any]]]:
    """All cases: id of the check and the case."""
    pairs = []
    for file in case_files():
        text = yaml.safe_load(file.read_text("utf-8"))
        for document in text if isinstance(text, list) else [text]:
            pairs += [(document["check"], case) for case in document["cases"]]
    return pairs


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test that asks for ``case`` runs once for each case of each file."""
    if "case" in metafunc.fixturenames:
        pairs = read_cases()
        metafunc.parametrize(
            ("check", "case"), pairs, ids=[f"{check}: {case['name']}" for check, case in pairs]
        )


@pytest.fixture
def judge() -> Any:
    """The function that judges a case told as a dictionary."""
    return judged


@pytest.fixture
def all_cases() -> list[tuple[str, dict[str, Any]]]:
    """All cases of all files."""
    return read_cases()
