"""Checks on the network of a capture: addresses, topology, TCP, load, protocols."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.capture.check import NETWORK, CaptureCheck, CaptureView, shared_by_design
from probe.judge.check import Need
from probe.judge.limit import exactly, within
from probe.judge.wording import count, instant, percent, some, span
from probe.model.capture import AddressConflict
from probe.model.finding import Finding, Verdict

#: Frames to a group a second that small devices must be able to stand; common practice, no source.
GROUP_REVIEW, GROUP_FAIL = 100, 1000
#: Share of a second in which the wire is taken; common practice, no source.
LOAD_REVIEW, LOAD_FAIL = 40.0, 80.0
#: Retransmitted segments in all segments with data; common practice, no source.
RESENT_REVIEW, RESENT_FAIL = 0.1, 1.0
#: Fewer segments than this tell nothing about a share.
_FEW = 1000
#: TCP and UDP ports of services that carry passwords or commands in the clear.
_PLAIN = {
    ("TCP", 20): "FTP",
    ("TCP", 21): "FTP",
    ("TCP", 23): "Telnet",
    ("TCP", 80): "HTTP",
    ("TCP", 8080): "HTTP",
    ("TCP", 5900): "VNC",
    ("UDP", 69): "TFTP",
}
_EMPTY = "no frames in the capture"


def _addresses(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    real = [
        one
        for one in view.figures.conflicts
        if not any(shared_by_design(claim.hardware) for claim in one.claims)
    ]
    for conflict in real:
        yield _conflict(check, view, conflict)
    if not real and view.figures.packets:
        yield check.find(
            NETWORK,
            Verdict.PASS,
            "Each IP address was used by one hardware address",
            observed="no address used by two",
            expected="one hardware address each",
        )


def _conflict(check: CaptureCheck, view: CaptureView, conflict: AddressConflict) -> Finding:
    sure = conflict.by_arp or _taken(conflict)
    told = (
        f"{claim.hardware} ({count(claim.arp, 'ARP frame')}, {count(claim.ip, 'IP frame')})"
        for claim in conflict.claims
    )
    return check.find(
        NETWORK,
        Verdict.FAIL if sure else Verdict.REVIEW,
        f"{conflict.address} is used by {len(conflict.claims)} hardware addresses",
        observed=some(list(told)),
        expected="one hardware address",
        point=conflict.address,
        advice="Two devices have one address, or somebody redirects the traffic: find both ports in the "
        "switch's "
        "table and separate them. Until then no reading from this address says whose it is."
        if sure
        else "Frames from this address came by two hardware addresses: behind a router or a redundant "
        "pair that "
        "is so by design, in one flat network it is a conflict.",
    )


def _taken(conflict: AddressConflict) -> bool:
    """One claims the address by ARP and never speaks IP from it, another speaks and never claims it."""
    silent = any(claim.arp and not claim.ip for claim in conflict.claims)
    return silent and any(claim.ip and not claim.arp for claim in conflict.claims)


ADDRESSES = CaptureCheck(
    id="capture.addresses",
    title="Each IP address belongs to one device",
    needs=(Need.CAPTURE,),
    why="With two devices on one address the master reads now one, now the other, and may switch the "
    "wrong one.",
    source="RFC 5227, 2.4; RFC 826 (from memory)",
    since="0.3",
    danger=8,
    where="all addresses seen in ARP and IP frames; virtual routers may share one",
    run=_addresses,
)


def _topology(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    said = view.figures.spanning
    for change in view.figures.topology:
        yield check.find(
            NETWORK,
            Verdict.REVIEW,
            f"Change of topology told by {change.bridge}",
            observed=f"{count(change.frames, 'frame')} from {instant(change.first_ns / 1e9)} "
            f"for {span((change.last_ns - change.first_ns) / 1e9)}",
            expected="none while nobody works on the network",
            point=f"{change.bridge} {change.port} {change.first_ns}",
            advice="Ask whether somebody worked on the network then. If not: a link that comes and goes, "
            "or an end "
            "device's port that is not set as edge port.",
        )
    if view.figures.topology:
        return
    if said.get("bpdus"):
        title = "No change of topology told"
        yield check.find(
            NETWORK, Verdict.PASS, title, observed=f"0 in {count(said['bpdus'], 'BPDU')}", expected="none"
        )
    else:
        yield check.untested(NETWORK, "no spanning tree or ring frames in the capture")


TOPOLOGY = CaptureCheck(
    id="capture.topology",
    title="The network's topology stands still",
    needs=(Need.CAPTURE,),
    why="Each change makes switches forget where devices are: polls fail for moments, and again each "
    "time a bad "
    "link comes and goes.",
    source="IEEE 802.1D and IEEE 802.1Q (from memory)",
    since="0.3",
    danger=4,
    where="captures with frames of spanning tree or ring redundancy",
    run=_topology,
)


def _tcp(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    totals = view.totals
    data = totals["data"]
    if not data:
        yield check.untested(NETWORK, "no TCP data in the capture")
        return
    resent = totals["retransmitted"] + totals["partly_new"] + totals["late"]
    share = resent / data * 100
    verdict = within(exactly(share), None, RESENT_FAIL)
    if verdict is Verdict.PASS and (share > RESENT_REVIEW or totals["zero_window"] or totals["refused"]):
        verdict = Verdict.REVIEW
    if data < _FEW and verdict is Verdict.FAIL:
        verdict = Verdict.REVIEW
    more = {
        "connections refused": totals["refused"],
        "closed windows": totals["zero_window"],
        "resets": totals["rst"],
        "openings sent again": totals["syn_again"],
    }
    others = [f"{many} {what}" for what, many in more.items() if many]
    yield check.find(
        NETWORK,
        verdict,
        f"{count(resent, 'segment')} of {data:,} sent again",
        observed=", ".join([percent(share / 100) + " % sent again", *others]),
        expected=f"at most {RESENT_REVIEW:g} % sent again",
        uncertainty=f"{count(data, 'segment')} seen",
        advice=""
        if verdict is Verdict.PASS
        else "Bytes are lost on the way: look at error counters and duplex of the ports between, at a "
        "device that "
        "is overrun, or at a service that does not listen.",
    )


TCP = CaptureCheck(
    id="capture.tcp",
    title="TCP loses little on the way",
    needs=(Need.CAPTURE,),
    why="A lost segment costs a second or more until it is sent again (RFC 6298): longer than masters "
    "wait. It is "
    "the first sign of a bad link or a wrong duplex setting.",
    source="common practice, no source: 0.1 % to look at, 1 % too much",
    since="0.3",
    danger=4,
    where="captures with TCP data",
    run=_tcp,
)


def _load(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    if not view.figures.packets:
        yield check.untested(NETWORK, _EMPTY)
        return
    if not view.link_bps:
        yield check.untested(
            NETWORK, "the speed of the link is not known", advice="Give it with --speed 100M."
        )
        return
    peak = view.totals["peak_bytes"] * 8 / view.link_bps * 100
    verdict = within(exactly(peak), None, LOAD_FAIL)
    if verdict is Verdict.PASS and peak > LOAD_REVIEW:
        verdict = Verdict.REVIEW
    yield check.find(
        NETWORK,
        verdict,
        f"Busiest second: {percent(peak / 100)} % of the wire",
        observed=percent(peak / 100),
        expected=f"at most {LOAD_REVIEW:g}",
        unit="%",
        uncertainty=f"second from {instant(view.totals['peak_bytes_ns'] / 1e9)}",
        advice=""
        if verdict is Verdict.PASS
        else "Look who talks most: a camera, a backup or a loop does not belong on a control network.",
    )


LOAD = CaptureCheck(
    id="capture.load",
    title="The wire has room to spare",
    needs=(Need.CAPTURE,),
    why="A wire that is full for a second loses the frames that matter with those that do not.",
    source="IEEE 802.3 (frame, preamble and gap; from memory); limits common practice, no source",
    since="0.3",
    danger=3,
    where="captures whose link speed is told by the file or by --speed",
    run=_load,
)


def _group(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    if not view.figures.packets:
        yield check.untested(NETWORK, _EMPTY)
        return
    peak = view.totals["peak_group"]
    verdict = within(exactly(peak), None, GROUP_FAIL)
    if verdict is Verdict.PASS and peak > GROUP_REVIEW:
        verdict = Verdict.REVIEW
    yield check.find(
        NETWORK,
        verdict,
        f"Busiest second: {count(peak, 'frame')} to everybody or to groups",
        observed=str(peak),
        expected=f"at most {GROUP_REVIEW}",
        unit="frames/s",
        uncertainty=f"second from {instant(view.totals['peak_group_ns'] / 1e9)}" if peak else "",
        advice=""
        if verdict is Verdict.PASS
        else "Every device must look at each of these frames: find the sender among the top talkers, and "
        "look for a "
        "loop, a scanner, or multicast without filtering in the switches.",
    )


GROUP = CaptureCheck(
    id="capture.group_load",
    title="Broadcast and multicast stay few",
    needs=(Need.CAPTURE,),
    why="Trip units and meters have small processors: a storm of frames to everybody silences them all "
    "at once.",
    source="common practice, no source: 100 a second to look at, 1000 too many",
    since="0.3",
    danger=6,
    where="all captures",
    run=_group,
)


def _unknown(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    if not view.figures.packets:
        yield check.untested(NETWORK, _EMPTY)
        return
    strange = [
        one
        for one in view.figures.protocols
        if not one.name and not (one.layer in ("TCP", "UDP") and one.number >= 49152)
    ]
    told = [f"{one.layer} {_number(one.layer, one.number)} ({count(one.frames, 'frame')})" for one in strange]
    yield check.find(
        NETWORK,
        Verdict.REVIEW if strange else Verdict.PASS,
        f"{count(len(strange), 'protocol or port', 'protocols or ports')} without a known name"
        if strange
        else "Only known protocols",
        observed=some(told, 8) or f"{len(view.figures.protocols)} known",
        expected="known protocols",
        advice="Find out what these are and whether they belong here." if strange else "",
    )


def _number(layer: str, number: int) -> str:
    return f"0x{number:04X}" if layer in ("EtherType", "LLC") else str(number)


UNKNOWN = CaptureCheck(
    id="capture.protocols",
    title="Only known protocols on the wire",
    needs=(Need.CAPTURE,),
    why="What nobody can name nobody looks after: a forgotten device, a tool left behind, or somebody "
    "who listens.",
    source="common practice, no source",
    since="0.3",
    danger=2,
    where="all captures",
    run=_unknown,
)


def _plaintext(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    totals = view.totals
    if not view.figures.packets:
        yield check.untested(NETWORK, _EMPTY)
        return
    seen = [
        f"{_PLAIN[one.layer, one.number]} ({count(one.frames, 'frame')})"
        for one in view.figures.protocols
        if (one.layer, one.number) in _PLAIN
    ]
    old = totals["snmp1"] + totals["snmp2"]
    if old:
        seen.append(f"SNMP with the community in the clear ({count(old, 'frame')})")
    if totals["snmp_default_name"]:
        seen.append(f"a default community name ({count(totals['snmp_default_name'], 'frame')})")
    yield check.find(
        NETWORK,
        Verdict.REVIEW if seen else Verdict.PASS,
        "Services that send names and passwords in the clear" if seen else "No service in the clear was seen",
        observed=", ".join(seen) or "none",
        expected="none but Modbus",
        advice="Whoever listens has the password: use the encrypted form (SSH, HTTPS, SNMPv3), or switch "
        "the service "
        "off. What was sent is not kept here."
        if seen
        else "",
    )


PLAIN = CaptureCheck(
    id="capture.plaintext",
    title="No passwords in the clear",
    needs=(Need.CAPTURE,),
    why="A password read from the wire opens the switch or the device to whoever stood at any port of "
    "the network.",
    source="common practice, no source",
    since="0.3",
    danger=5,
    where="all captures; what was sent is never kept",
    run=_plaintext,
)


CHECKS: tuple[CaptureCheck, ...] = (ADDRESSES, GROUP, TOPOLOGY, TCP, LOAD, PLAIN, UNKNOWN)
