"""Writes the small sample record of format 1 that must verify for ever. Refuses to write over it.

Run: python tests/records/make_sample.py FILE. The committed file was made once by this script; tests read
the file and never make it again, so that a change of the format that old records would not survive is seen.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

from probe.model.evidence import (
    Anchor,
    Connect,
    ConnectOutcome,
    Disconnect,
    Echo,
    Evidence,
    Exchange,
    Framing,
    Neighbour,
    Note,
    Outcome,
    Purpose,
    ReferenceSample,
    Stray,
)
from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.model.lineup import SourceText
from probe.model.scope import Scope
from probe.record.header import Header, Instrument
from probe.record.writer import RecordWriter

MS = 1_000_000
STARTED = 1_773_480_413_000_000_001  # 2026-03-14T09:26:53.000000001Z

MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - tag: MTR-M1
    kind: meter
    profile: sunspec-203
    section: Main
    address: {host: 127.0.0.1, port: 15020, unit: 1}
  - tag: F-01
    kind: meter
    profile: sunspec-203
    section: Feeder
    address: {host: 127.0.0.1, port: 15021, unit: 1}
"""
PROFILE = (
    "# Stands for a profile; the sample is about the record's form, not about profiles.\nname: sunspec-203\n"
)


def header() -> Header:
    """The head of the sample."""
    return Header(
        tool_version="0.1.0",
        site="Tarn Hollow Water Works",
        lineup="MSB-1",
        map_texts=(_source("map.yaml", MAP),),
        profile_texts=(_source("sunspec-203.yaml", PROFILE),),
        scope=Scope(tags=("MTR-M1", "F-01"), dwell_s=600.0),
        started_wall_ns=STARTED,
        instrument=Instrument(
            host_name="laptop-3",
            system="Linux 6.8",
            python="3.11.7",
            addresses=("lo 127.0.0.1/8",),
            clock="synchronised",
        ),
        operator="",
        command=("buswitness", "audit", "map.yaml", "--dwell", "10m"),
    )


def evidence() -> tuple[Evidence, ...]:
    """One or more of every kind, with texts that a careless encoder gets wrong."""
    ask = bytes.fromhex("000100000006010300000002")
    good = bytes.fromhex("00010000000701030443670000")
    return (
        Anchor(0, STARTED),
        ReferenceSample("laptop", 1 * MS, 1 * MS, 0, 0, True, "", b""),
        ReferenceSample("ntp 127.0.0.1", 2 * MS, 3 * MS, -STARTED, 2**53, False, "stratum 16", bytes(48)),
        Connect("127.0.0.1:15020", 4 * MS, 5 * MS, ConnectOutcome.OPEN, "", "127.0.0.1:40000"),
        Connect("127.0.0.1:15021", 4 * MS, 6 * MS, ConnectOutcome.REFUSED, 'said "no" \\ \t\x1b[31m', ""),
        Echo("127.0.0.1", "MTR-M1", 5 * MS, 6 * MS, True),
        Neighbour("127.0.0.1", "MTR-M1", 6 * MS, "02:00:5e:10:00:01"),
        _exchange(Purpose.IDENTITY, 0, 7, Outcome.DATA, ask, good),
        _exchange(Purpose.PROOF, 0, 9, Outcome.EXCEPTION, ask, bytes.fromhex("000100000003018302"), code=2),
        _exchange(Purpose.POLL, 0, 11, Outcome.DATA, ask, good),
        _exchange(Purpose.POLL, 1, 13, Outcome.NO_ANSWER, ask, b""),
        _exchange(Purpose.CLOCK, 1, 2**53, Outcome.SHORT, ask, good[:-2]),
        Stray("127.0.0.1:15020", 16 * MS, Outcome.LATE, good, "MTR-M1"),
        Stray("127.0.0.1:15020", 17 * MS, Outcome.UNASKED, b"\x00\xff", ""),
        Note(18 * MS, "clock step", "Uhr \u00fcberpr\u00fcft \u20ac \U0001f602 \u202e \x7f \x85 \u2028 /"),
        Disconnect("127.0.0.1:15020", 19 * MS, False, 5),
        Anchor(20 * MS, STARTED + 20 * MS),
    )


def _exchange(  # noqa: PLR0917
    purpose: Purpose,
    round_: int,
    at_ms: int,
    outcome: Outcome,
    request: bytes,
    response: bytes,
    code: int = 0,
) -> Exchange:
    sent = at_ms if at_ms >= 2**53 else at_ms * MS
    return Exchange(
        "MTR-M1", purpose, Framing.MBAP, round_, 1, sent, sent + MS, outcome, code, request, response
    )


def expectations() -> tuple[Expectation, ...]:
    """What the sample's run must give a verdict on."""
    return (
        Expectation(check="reach.answers", subject="MTR-M1"),
        Expectation(check="clock.skew", subject="MTR-M1", required=False),
        Expectation(check="reach.answers", subject="F-01"),
    )


def findings() -> tuple[Finding, ...]:
    """One finding of each verdict."""
    return (
        Finding(
            check="reach.answers",
            subject="F-01",
            verdict=Verdict.FAIL,
            title="Does not answer",
            observed="connection refused",
            expected="an answer",
            rule="common practice, no source",
            evidence=(8,),
            advice="See whether the unit has control power.",
            cause="C1",
            danger=5,
        ),
        Finding(
            check="reach.answers", subject="MTR-M1", verdict=Verdict.PASS, title="Answers", evidence=(13, 14)
        ),
        Finding(check="clock.skew", subject="MTR-M1", verdict=Verdict.NOT_TESTED, title="Clock"),
        Finding(
            check="register.range",
            subject="MTR-M1",
            verdict=Verdict.REVIEW,
            title="Voltage near its limit",
            observed="231.0",
            expected="216 to 231",
            unit="V",
            uncertainty="0.5",
            point="voltage_a",
            evidence=(13,),
        ),
    )


def causes() -> tuple[Cause, ...]:
    """The likely cause of the failing finding."""
    return (
        Cause(
            id="C1",
            kind="device down",
            subjects=("F-01",),
            statement="F-01 has no control power, or its server is off.",
            confidence_permille=700,
            explains=("reach.answers@F-01",),
            fix="Look at the unit's power supply.",
        ),
    )


def write(path: Path) -> None:
    """Write the sample to a new file."""
    writer = RecordWriter.create(path, header())
    writer.expect(expectations())
    for item in evidence():
        writer.keep(item)
    writer.conclude(findings(), causes())
    writer.seal(complete=False, reason="interrupted by the operator")


def _source(name: str, text: str) -> SourceText:
    return SourceText(name=name, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())


if __name__ == "__main__":
    write(Path(sys.argv[1]))
