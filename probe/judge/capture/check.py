"""What a check on a capture is, and what it sees."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from probe.judge.check import Check
from probe.model.capture import CaptureFigures, DeviceTraffic
from probe.model.device_map import DeviceMap, Kind
from probe.model.finding import Finding, Verdict

#: Subjects of findings that are about no device.
FILE, NETWORK = "capture", "network"
#: What a device's own address ends with that redundant routers share by design.
_SHARED_BY_DESIGN = ("00:00:5e:00:01:", "00:00:5e:00:02:", "00:00:0c:07:ac:", "00:00:0c:9f:f")


class Kept(NamedTuple):
    """A record of ``capture take`` and the file: its name, empty without one, and both hashes (SHA-256)."""

    record: str = ""
    noted: str = ""
    found: str = ""


NOT_KEPT = Kept()


class CaptureView:
    """The figures of one capture, and what is known about the network that it was taken from.

    kept: what a record beside the file says of it (see ``Kept``).
    link_bps: speed of the link; 0 for what the capture itself tells, if it does. site: the map of the lineup,
    None without one.
    """

    def __init__(
        self,
        figures: CaptureFigures,
        site: DeviceMap | None = None,
        link_bps: int = 0,
        kept: Kept = NOT_KEPT,
    ) -> None:
        self.figures = figures
        self.totals = figures.totals
        self.site = site
        self.kept = kept
        self.link_bps = link_bps or figures.totals.get("link_bps", 0)

    def subject(self, device: DeviceTraffic) -> str:
        """The device's tag where the map has it, else its address."""
        return self._tags.get((device.server, device.port, device.unit), device.name)

    def tag_of(self, server: str, port: int, unit: int) -> str:
        """The tag at this address, "" where the map has none."""
        return self._tags.get((server, port, unit), "")

    @cached_property
    def _tags(self) -> dict[tuple[str, int, int], str]:
        if self.site is None:
            return {}
        targets = {device.tag: self.site.target(device.tag) for device in self.site.devices}
        return {(one.host, one.port, one.unit): tag for tag, one in targets.items() if one.host}

    @cached_property
    def masters(self) -> frozenset[str]:
        """Addresses of what the map calls a master: they may write."""
        if self.site is None:
            return frozenset()
        hosts = (one.address.host for one in self.site.devices if one.kind is Kind.MASTER)
        return frozenset(host for host in hosts if host)

    @property
    def span_s(self) -> float:
        """Seconds from the earliest to the latest frame."""
        return self.figures.span_ns / 1e9


def shared_by_design(hardware: str) -> bool:
    """True for virtual router addresses. Source: RFC 5798, 7.3 (VRRP; from memory); others from memory."""
    return hardware.startswith(_SHARED_BY_DESIGN)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureCheck(Check):
    """A check on a capture; run always says something: that it passes, or why it cannot tell."""

    run: Callable[[CaptureCheck, CaptureView], Iterable[Finding]]


def judge_capture(checks: Iterable[CaptureCheck], view: CaptureView) -> tuple[Finding, ...]:
    """All findings, the dangerous ones first; what a check did not say is "not tested"."""
    found: list[Finding] = []
    for check in checks:
        said = list(check.run(check, view))
        found += said or [check.untested(FILE, "nothing in the capture tells")]
    rank = {Verdict.FAIL: 0, Verdict.REVIEW: 1, Verdict.NOT_TESTED: 2, Verdict.PASS: 3}
    return tuple(sorted(found, key=lambda one: (rank[one.verdict], -one.danger)))
