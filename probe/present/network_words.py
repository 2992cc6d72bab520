"""Each piece of evidence on the network in one sentence."""

from __future__ import annotations

from probe.judge.wording import count, span
from probe.model.failover_evidence import Beat, LinkStep
from probe.model.frames.announcement import DhcpAnswer, NtpBroadcast, PtpAnnounce, RouterAdvertisement
from probe.model.frames.arp import Arp
from probe.model.frames.dcp import Dcp
from probe.model.frames.ethernet import FrameError
from probe.model.frames.lldp import Lldp
from probe.model.frames.seen import Content, read
from probe.model.frames.stp import Bpdu
from probe.model.network_evidence import (
    ForwardingEntry,
    Frame,
    Listening,
    NetworkEvidence,
    OwnInterface,
    Route,
    SecretSeen,
    ServiceProbe,
    Sweep,
    Talk,
)
from probe.model.snmp_evidence import SnmpAnswer
from probe.present.snmp_words import snmp_words


def network_words(evidence: NetworkEvidence) -> str:  # noqa: PLR0911 (one case a kind of evidence)
    """A piece of evidence on the network in one sentence."""
    match evidence:
        case OwnInterface():
            return interface_words(evidence)
        case Route():
            way = f"through {evidence.router}" if evidence.router else "directly"
            return f"route to {evidence.destination} {way} by {evidence.interface}"
        case Frame():
            return frame_words(evidence)
        case Talk():
            many = count(evidence.frames, "frame")
            return f"{evidence.source} to {evidence.destination}: {evidence.protocol}, {many}"
        case Listening():
            return listening_words(evidence)
        case Sweep():
            asked = count(evidence.asked, "address", "addresses")
            where = f"{evidence.first} to {evidence.last}, " if evidence.first else ""
            return f"asked by {evidence.means} on {evidence.interface}: {where}{asked}"
        case SecretSeen():
            usual = ", a usual one" if evidence.default else ""
            who = f"{evidence.source} to {evidence.destination}"
            return f"{evidence.protocol} {evidence.what} in the clear{usual}, {who}; not kept itself"
        case ServiceProbe():
            return f"{evidence.service} at {evidence.host}:{evidence.port}: {evidence.outcome.value}"
        case ForwardingEntry():
            how = "" if evidence.learned else ", its own or written"
            return f"{evidence.switch} has {evidence.hardware_address} behind port {evidence.port}{how}"
        case SnmpAnswer():
            return snmp_words(evidence)
        case LinkStep():
            said = f": {evidence.said}" if evidence.said else ""
            return f"link-loss test of {evidence.link}: {evidence.act.value}{said}"
        case Beat():
            who = f"{evidence.tag} ({evidence.host})"
            return f"fast question by {evidence.means.value} to {who}: {evidence.outcome}"
        case _:
            return type(evidence).__name__


def interface_words(one: OwnInterface) -> str:
    """An own interface: name, address, sort, speed."""
    speed = f"{one.speed_mbps} Mbit/s" if one.speed_mbps else ""
    duplex = f"{one.duplex} duplex" if one.duplex else ""
    state = "" if one.up else "down"
    parts = [one.address or "no address", one.hardware_address, one.sort, speed, duplex, state]
    used = ", used for the survey" if one.chosen else ""
    return f"own interface {one.name}: {', '.join(part for part in parts if part)}{used}"


def listening_words(one: Listening) -> str:
    """How long was listened, and what came."""
    if one.means == "none":
        return f"no frames were heard on {one.interface or 'any interface'}: {one.why}"
    missed = f", {one.dropped + one.uncounted} more not looked at" if one.dropped or one.uncounted else ""
    why = f"; {one.why}" if one.why else ""
    spent = span((one.finished_ns - one.started_ns) / 1e9)
    return f"listened on {one.interface} for {spent}: {count(one.frames, 'frame')}{missed}{why}"


def frame_words(frame: Frame) -> str:
    """A frame: from whom to whom, and what it says."""
    try:
        seen = read(frame.data)
    except FrameError as error:
        return f"{'sent' if frame.sent else 'heard'} on {frame.interface}: {error}"
    said = content_words(seen.content) or seen.trouble
    if seen.source_ip:
        said = f"{seen.source_ip} to {seen.destination_ip}" + (f", {said}" if said else "")
    ends = f"{seen.ethernet.source} to {seen.ethernet.destination}"
    return f"{'sent' if frame.sent else 'heard'} on {frame.interface}: {seen.protocol}, {ends}" + (
        f": {said}" if said else ""
    )


def content_words(content: Content) -> str:  # noqa: PLR0911 (one case a protocol)
    """What a frame says, in a few words; empty where nothing was decoded."""
    match content:
        case Arp():
            return _arp_words(content)
        case Lldp():
            return f"{content.name or content.chassis}, port {content.port}, for {content.lifetime_s} s"
        case Bpdu():
            change = ", topology change" if content.topology_change else ""
            return f"{content.kind}, root {content.root}, bridge {content.bridge}{change}"
        case Dcp():
            return f"{content.kind} {content.name} {content.address}".rstrip()
        case RouterAdvertisement():
            return f"router for {content.lifetime_s} s, {', '.join(content.prefixes) or 'no prefix'}"
        case NtpBroadcast():
            return f"stratum {content.stratum}, leap {content.leap}"
        case PtpAnnounce():
            return f"domain {content.domain}, grandmaster {content.grandmaster}"
        case DhcpAnswer():
            return f"{content.kind} of {content.given} by {content.server}"
        case None:
            return ""


def _arp_words(packet: Arp) -> str:
    if packet.is_probe:
        return f"may {packet.sender_hardware} have {packet.target}?"
    if packet.is_announcement or packet.operation == 2:
        return f"{packet.sender} is at {packet.sender_hardware}"
    return f"who has {packet.target}? tell {packet.sender}"
