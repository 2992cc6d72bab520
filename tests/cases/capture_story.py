"""A capture told as a dictionary, for the cases of the checks on captures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from probe.judge.capture.check import CaptureView, Kept, judge_capture
from probe.judge.registry import CAPTURE_CHECKS
from probe.model.capture import (
    AddressConflict,
    CaptureFigures,
    Claim,
    DeviceTraffic,
    Ending,
    OpenEnd,
    ProtocolSeen,
    ReplyTimes,
    TopologyChange,
    WriteSeen,
)
from probe.model.device_map import DeviceMap
from probe.model.finding import Finding
from probe.wire.capture.layout import TOTALS

MS = 1_000_000
START_NS = 1_760_000_000 * 1000 * MS
#: A minute of healthy polling by one master.
USUAL = {
    "packets": 1000,
    "tcp": 1000,
    "data": 1000,
    "requests_seen": 500,
    "responses_seen": 500,
    "matched": 500,
}


@dataclass
class Captured:
    """What the judge said of a capture."""

    said: tuple[Finding, ...]

    def findings(self, check: str) -> list[Finding]:
        """The findings of one check."""
        return [finding for finding in self.said if finding.check == check]


def reply(times: list[float]) -> ReplyTimes:
    """Least, median, 95 %, 99 %, most in milliseconds."""
    return ReplyTimes(100, *(round(ms * MS) for ms in times), 0.0)


def device(told: dict[str, Any]) -> DeviceTraffic:
    """A unit that answers in 20 ms, but for what is told."""
    asked, lost = told.get("requests", 500), told.get("lost", 0)
    codes = tuple((int(code), many) for code, many in told.get("codes", {}).items())
    return DeviceTraffic(
        server=told.get("server", "127.0.0.1"),
        port=502,
        unit=told.get("unit", 255),
        requests=asked,
        responses=asked - lost,
        matched=asked - lost,
        exceptions=sum(many for _, many in codes),
        exception_codes=codes,
        repeated=0,
        reused=0,
        in_flight=1,
        first_ns=START_NS,
        last_ns=START_NS + 60_000 * MS,
        reply=reply(told.get("reply_ms", [10, 20, 30, 40, 50])) if asked > lost else None,
        polls=(),
    )


def write(told: dict[str, Any]) -> WriteSeen:
    """A write of registers."""
    return WriteSeen(
        told.get("client", "127.0.0.9"), "127.0.0.1", 502, 255, told.get("function", 16), 3, 3, 0,
        START_NS, START_NS + 1000 * MS, 100, 101,
    )  # fmt: skip


def conflict(told: dict[str, Any]) -> AddressConflict:
    """An address with the claims told as [hardware, ARP frames, IP frames]."""
    return AddressConflict("127.0.0.1", tuple(Claim(*claim, START_NS, START_NS) for claim in told["claims"]))


def figures(told: dict[str, Any]) -> CaptureFigures:
    """The figures of the capture; totals that are not told are those of healthy polling."""
    totals = {**dict.fromkeys(TOTALS, 0), **USUAL, "low_ns": START_NS, "high_ns": START_NS + 60_000 * MS}
    totals |= {name: value for name, value in told.items() if name in totals}
    devices = tuple(device(one) for one in told.get("devices", [{}]))
    return CaptureFigures(
        file="case.pcapng",
        size=100_000,
        ending=Ending(told.get("ending", "whole")),
        damaged_at=0,
        format="pcapng",
        totals=totals,
        reply=devices[0].reply if devices else None,
        devices=devices,
        writes=tuple(write(one) for one in told.get("writes", [])),
        functions=((3, 500),),
        talkers=(),
        conflicts=tuple(conflict(one) for one in told.get("conflicts", [])),
        protocols=tuple(
            ProtocolSeen(*one, 10, 1000) for one in told.get("protocols", [["TCP", 502, "Modbus"]])
        ),
        vlans=(),
        neighbours=(),
        topology=tuple(
            TopologyChange("spanning tree", bridge, "8001", 3, START_NS, START_NS)
            for bridge in told.get("topology", [])
        ),
        spanning=told.get("spanning", {"bpdus": 30}),
        moments=(),
        moment_ns=1000 * MS,
        unanswered=(OpenEnd(17, START_NS, "127.0.0.1", 502, 255),),
        unasked=(),
        left_out=(),
    )


def captured(case: dict[str, Any], site: dict[str, Any] | None) -> Captured:
    """The judgement of the capture that a case tells. site: a map as a dictionary, None without one."""
    told = case["capture"]
    view = CaptureView(
        figures(told),
        DeviceMap.model_validate(site) if site else None,
        told.get("link_bps", 100_000_000),
        Kept(*told.get("kept", ())),
    )
    return Captured(judge_capture(CAPTURE_CHECKS, view))
