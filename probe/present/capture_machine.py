"""Machine: a capture's figures and findings as one JSON object (design, section 4)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from probe.judge.capture.check import CaptureView
from probe.model.capture import (
    DeviceTraffic,
    Ending,
    NeighbourSeen,
    ReplyTimes,
    TopologyChange,
)
from probe.model.finding import WORST_FIRST, Finding
from probe.present.machine import finding_object

CAPTURE_FORMAT = "buswitness-capture/1"
FOLDER_FORMAT = "buswitness-captures/1"
_TCP = (
    "opened", "syn", "syn_ack", "fin", "rst", "data", "retransmitted", "partly_new", "late", "ahead",
    "keep_alive", "keep_alive_byte", "syn_again", "fin_again", "zero_window", "same_ack", "refused",
    "holes_skipped",
)  # fmt: skip
_ARP = ("arp", "arp_requests", "arp_replies", "arp_probes", "arp_gratuitous", "arp_odd", "arp_other_source")


def capture_document(view: CaptureView, findings: Sequence[Finding], exit_code: int) -> dict[str, Any]:
    """The object that ``capture read --json`` prints for one file."""
    figures, totals = view.figures, view.figures.totals
    return {
        "format": CAPTURE_FORMAT,
        "file": figures.file,
        "size": figures.size,
        "container": figures.format,
        "started": moment(totals["low_ns"]) if figures.packets else None,
        "finished": moment(totals["high_ns"]) if figures.packets else None,
        "packets": figures.packets,
        "truncated": figures.ending is not Ending.WHOLE,
        "ending": figures.ending.value,
        "ends_at_byte": figures.damaged_at if figures.ending is not Ending.WHOLE else figures.size,
        "truncated_frames": totals["truncated"],
        "dropped_by_capture": totals["dropped_by_capture"],
        "backward_timestamps": totals["backward"],
        "modbus": _modbus(view),
        "devices": [_device(view, device) for device in figures.devices],
        "network": _network(view),
        "neighbours": [_neighbour(one) for one in figures.neighbours],
        "conflicts": [
            {
                "address": one.address,
                "by_arp": one.by_arp,
                "claims": [claim._asdict() for claim in one.claims],
            }
            for one in figures.conflicts
        ],
        "topology_changes": [_change(one) for one in figures.topology],
        "left_out": list(figures.left_out),
        "counts": {verdict.value: sum(one.verdict is verdict for one in findings) for verdict in WORST_FIRST},
        "findings": [finding_object(one) for one in findings],
        "exit_code": int(exit_code),
    }


def _neighbour(one: NeighbourSeen) -> dict[str, Any]:
    return {
        "protocol": one.protocol,
        "hardware": one.hardware,
        "chassis": one.chassis,
        "port": one.port,
        "name": one.name,
        "description": one.description,
        "addresses": list(one.addresses),
        "frames": one.frames,
        "first": moment(one.first_ns),
        "last": moment(one.last_ns),
    }


def _change(one: TopologyChange) -> dict[str, Any]:
    return {
        "protocol": one.protocol,
        "bridge": one.bridge,
        "port": one.port,
        "frames": one.frames,
        "first": moment(one.first_ns),
        "last": moment(one.last_ns),
    }


def folder_document(folder: str, captures: Sequence[dict[str, Any]], exit_code: int) -> dict[str, Any]:
    """The object for a folder: each capture's own object, in the order of their names."""
    return {
        "format": FOLDER_FORMAT,
        "folder": folder,
        "packets": sum(one.get("packets", 0) for one in captures),
        "captures": list(captures),
        "exit_code": int(exit_code),
    }


def moment(wall_ns: int) -> str | None:
    """RFC 3339 in UTC with nine digits; None for a time that no calendar holds."""
    whole, rest = divmod(wall_ns, 1_000_000_000)
    try:
        return f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"
    except (ValueError, OverflowError, OSError):
        return None


def _modbus(view: CaptureView) -> dict[str, Any]:
    figures, totals = view.figures, view.totals
    codes: dict[str, int] = {}
    for device in figures.devices:
        for code, many in device.exception_codes:
            codes[str(code)] = codes.get(str(code), 0) + many
    return {
        "requests": totals["requests_seen"],
        "responses": totals["responses_seen"],
        "exceptions": totals["exceptions"],
        "exception_codes": codes,
        "matched": totals["matched"],
        "unanswered": totals["requests_seen"] - totals["matched"],
        "unmatched": totals["responses_seen"] - totals["matched"],
        "retransmissions": totals["mb_retransmitted"] + totals["mb_partly_new"],
        "late_segments": totals["mb_late"],
        "capture_copies": totals["mb_copies"],
        "holes": totals["mb_holes"],
        "reply_ms": _reply(figures.reply),
        "writes": [_write(view, number) for number in range(len(figures.writes))],
        "functions": {str(code): many for code, many in figures.functions},
        "connections": totals["mb_connections"],
        "most_open": totals["most_open"],
        "reused_ids": totals["reused"],
        "repeated_answers": totals["repeated"],
        "several_in_segment": totals["several_in_segment"],
        "most_in_segment": totals["most_in_segment"],
        "split_over_segments": totals["split"],
        "not_modbus": {"stretches": totals["not_modbus"], "bytes": totals["not_modbus_bytes"]},
        "unanswered_frames": [one.frame for one in figures.unanswered],
        "unmatched_frames": [one.frame for one in figures.unasked],
    }


def _reply(reply: ReplyTimes | None) -> dict[str, float] | None:
    if reply is None:
        return None
    names = {"min": reply.least_ns, "median": reply.median_ns, "p95": reply.p95_ns, "p99": reply.p99_ns}
    times = {name: ns / 1e6 for name, ns in {**names, "max": reply.most_ns}.items()}
    return {**times, "count": reply.replies, "uncertainty_share": reply.share}


def _write(view: CaptureView, number: int) -> dict[str, Any]:
    write = view.figures.writes[number]
    return {
        "client": write.client,
        "tag": view.tag_of(write.server, write.port, write.unit) or None,
        "server": write.server,
        "port": write.port,
        "unit": write.unit,
        "function": write.function,
        "count": write.attempts,
        "done": write.done,
        "refused": write.refused,
        "first": moment(write.first_ns),
        "last": moment(write.last_ns),
        "low_address": write.low if write.low >= 0 else None,
        "high_address": write.high if write.high >= 0 else None,
    }


def _device(view: CaptureView, device: DeviceTraffic) -> dict[str, Any]:
    return {
        "tag": view.tag_of(device.server, device.port, device.unit) or None,
        "server": device.server,
        "port": device.port,
        "unit": device.unit,
        "requests": device.requests,
        "responses": device.responses,
        "matched": device.matched,
        "unanswered": device.unanswered,
        "exceptions": device.exceptions,
        "exception_codes": {str(code): many for code, many in device.exception_codes},
        "repeated_answers": device.repeated,
        "reused_ids": device.reused,
        "in_flight": device.in_flight,
        "first": moment(device.first_ns),
        "last": moment(device.last_ns),
        "reply_ms": _reply(device.reply),
        "polls": [
            {
                "function": poll.function,
                "start": poll.start,
                "quantity": poll.quantity,
                "intervals": poll.intervals,
                "mean_ms": poll.mean_ns / 1e6,
                "min_ms": poll.least_ns / 1e6,
                "max_ms": poll.most_ns / 1e6,
                "jitter_ms": poll.jitter_ns / 1e6,
            }
            for poll in device.polls
        ],
    }


def _network(view: CaptureView) -> dict[str, Any]:
    figures, totals = view.figures, view.totals
    return {
        "seconds": figures.span_ns / 1e9,
        "bytes": totals["wire_bytes"],
        "occupied_bytes": totals["occupied_bytes"],
        "unicast": totals["unicast"],
        "multicast": totals["multicast"],
        "broadcast": totals["broadcast"],
        "peak": {
            "packets_per_s": totals["peak_packets"],
            "group_per_s": totals["peak_group"],
            "bytes_per_s": totals["peak_bytes"],
            "utilisation": totals["peak_bytes"] * 8 / view.link_bps if view.link_bps else None,
        },
        "link_bps": view.link_bps or None,
        "step_s": figures.moment_ns / 1e9,
        "per_step": [_step(view, number) for number in range(len(figures.moments))],
        "top_talkers": [one._asdict() for one in figures.talkers[:20]],
        "protocols": [one._asdict() for one in figures.protocols],
        "unknown_protocols": [one._asdict() for one in figures.protocols if not one.name],
        "vlans": {str(number): frames for number, frames in figures.vlans},
        "tcp": {name: totals[name] for name in _TCP},
        "capture_copies": totals["copies_seen"],
        "arp": {name: totals[name] for name in _ARP},
        "spanning_tree": dict(figures.spanning),
        "snmp": {"v1": totals["snmp1"], "v2c": totals["snmp2"], "v3": totals["snmp3"]},
    }


def _step(view: CaptureView, number: int) -> dict[str, Any]:
    one = view.figures.moments[number]
    capacity = view.link_bps * view.figures.moment_ns / 1e9
    return {
        "at": moment(one.at_ns),
        "packets": one.packets,
        "bytes": one.bytes,
        "group": one.group,
        "utilisation": one.bytes * 8 / capacity if capacity else None,
        "replies": one.replies,
        "reply_ms": None
        if not one.replies
        else {
            "min": one.least_ns / 1e6,
            "mean": one.mean_ns / 1e6,
            "p95": one.p95_ns / 1e6,
            "max": one.most_ns / 1e6,
        },
    }


def no_capture(file: str) -> dict[str, Any]:
    """What stands in a folder's list for a file that could not be read."""
    return {"format": CAPTURE_FORMAT, "file": file, "packets": 0, "findings": []}
