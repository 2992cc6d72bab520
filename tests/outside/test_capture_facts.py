"""Open captures whose facts two independent readers counted: agree with each, or say who is right and why.

The captures lie beside the repository (folder ``shared``); without them these tests skip. Reader A is an own
parser whose framing was compared with dpkt, reader B a general-purpose analyser; both are described there.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from probe.model.capture import CaptureFigures, Ending
from probe.wire.capture.reading import read_capture

FOLDER = Path(__file__).parents[3] / "shared" / "captures"
FACTS: list[dict[str, Any]] = (
    json.loads((FOLDER / "facts.json").read_text("utf-8")) if (FOLDER / "facts.json").is_file() else []
)
if not FACTS:
    pytest.skip("the folder shared/captures is not beside this repository", allow_module_level=True)

#: Ours by theirs. Copies that the capture made are counted apart here, inside the segments there.
TCP = {
    "syn": "syn",
    "syn_ack": "synack",
    "fin": "fin",
    "rst": "rst",
    "partly_new": "retransmitted_partial_overlap",
    "late": "gap_fill_late",
    "ahead": "gap_ahead",
    "copies_seen": "capture_duplicate_frames",
    "copies_with_data": "capture_duplicate_data_segments",
    "keep_alive": "keepalive_0byte",
    "keep_alive_byte": "keepalive_1byte",
    "syn_again": "syn_retransmitted",
    "fin_again": "fin_retransmitted",
    "zero_window": "zero_window",
}
MODBUS = {
    "requests_seen": "requests",
    "responses_seen": "responses",
    "exceptions": "exceptions",
    "matched": "matched",
    "matched_exceptions": "matched_exception",
    "mb_connections": "connections",
    "several_in_segment": "segments_with_several_pdus",
    "most_in_segment": "max_pdus_in_segment",
    "split": "pdus_split_over_segments",
    "reused": "request_key_reused_while_open",
    "most_open": "max_outstanding_per_connection",
    "requests_high_bit": "requests_with_fc_high_bit",
}
FRAMING = {
    "not_modbus": "not_modbus_chunks",
    "not_modbus_bytes": "not_modbus_bytes",
    "bad_protocol": "bad_pid",
    "bad_length": "bad_len",
    "holes_skipped": "gaps_skipped",
}
ARP = {
    "arp_requests": "op1",
    "arp_replies": "op2",
    "arp_probes": "probe",
    "arp_gratuitous": "gratuitous",
}

#: Where we differ from reader A, and why. Each was looked at frame by frame.
KNOWN: dict[str, dict[str, str]] = {
    "linuxsll-arp.pcap": {
        "peak_group": "its packet type says broadcast; the facts' peak looks at the hardware address, which "
        "cooked frames lack (the facts' own page: a load figure must use the packet type)"
    },
    # Three packets, each captured three times: copies are no segments of their own here (the facts' own page:
    # real retransmissions 0, real packets 3).
    "vlan-pcp-dei.pcapng": dict.fromkeys(("syn", "syn_ack", "syn_again"), "copies"),
    # Two RST frames alike in all bytes at one instant, IP identification 0: a copy here, a second RST there;
    # the file cannot tell.
    "ntp-many-modes.pcap": dict.fromkeys(("rst", "copies_seen"), "undecidable"),
}
#: Its sequence numbers are fuzzed: nothing about its streams is authoritative (the facts say so).
FUZZED = "fuzz-72.pcap"


@pytest.fixture(scope="module")
def read() -> Any:
    """Figures of a file, read once."""
    known: dict[str, CaptureFigures] = {}

    def figures(name: str) -> CaptureFigures:
        if name not in known:
            known[name] = read_capture(FOLDER / name)
        return known[name]

    return figures


def differing(
    name: str, totals: Any, theirs: dict[str, int], names: dict[str, str]
) -> dict[str, tuple[int, int]]:
    """Totals that differ, but for what is known to."""
    excused = KNOWN.get(name, {})
    return {
        ours: (totals[ours], theirs.get(other, 0))
        for ours, other in names.items()
        if totals[ours] != theirs.get(other, 0) and ours not in excused
    }


@pytest.mark.parametrize("entry", FACTS, ids=[entry["file"] for entry in FACTS])
def test_frames_and_times(entry: dict[str, Any], read: Any) -> None:
    facts = entry["facts"]
    data = (FOLDER / entry["file"]).read_bytes()
    assert hashlib.sha256(data).hexdigest() == entry["sha256"]
    figures = read(entry["file"])
    totals = figures.totals
    assert figures.ending is Ending.WHOLE
    assert totals["packets"] == facts["packets"] == entry["reader_b"]["packets"]
    assert totals["truncated"] == facts["truncated_frames"]
    assert totals["wire_bytes"] == facts["bytes_on_wire"]
    assert totals["first_ns"] == facts["first_ts_ns"]
    assert totals["last_ns"] == facts["last_ts_ns"]
    assert totals["backward"] == facts["backward_timestamps"]
    assert totals["no_time"] == facts["no_timestamp_frames"]
    kinds = facts["dst_kind"]
    for kind in ("unicast", "multicast", "broadcast"):
        assert totals[kind] == kinds.get(kind, 0), kind
    if "peak_group" not in KNOWN.get(entry["file"], {}):
        assert totals["peak_group"] == facts["peak_bcast_mcast_per_s"]
    assert dict(figures.vlans) == {int(number): frames for number, frames in facts["vlan_ids"].items()}


@pytest.mark.parametrize("entry", FACTS, ids=[entry["file"] for entry in FACTS])
def test_tcp_and_arp(entry: dict[str, Any], read: Any) -> None:
    name, facts = entry["file"], entry["facts"]
    totals = read(name).totals
    assert totals["tcp"] == facts["ip"].get("tcp", 0)
    assert totals["udp"] == facts["ip"].get("udp", 0)
    assert totals["opened"] == facts["tcp_connections"]
    assert not differing(name, totals, facts.get("arp", {}).get("counts", {}), ARP)
    if name == FUZZED:
        return
    tcp = facts["tcp"]
    assert not differing(name, totals, tcp, TCP)
    assert totals["data"] + totals["copies_with_data"] == tcp.get("data_segments", 0)
    assert totals["retransmitted"] + totals["copies_with_data"] == tcp.get("retransmitted_full", 0)


SPOKEN = [entry for entry in FACTS if "modbus" in entry["facts"] and entry["file"] != FUZZED]


@pytest.mark.parametrize("entry", SPOKEN, ids=[entry["file"] for entry in SPOKEN])
def test_modbus(entry: dict[str, Any], read: Any) -> None:
    facts, figures = entry["facts"]["modbus"], read(entry["file"])
    assert not differing(entry["file"], figures.totals, facts, MODBUS)
    assert not differing(entry["file"], figures.totals, facts["framing_trouble"], FRAMING)
    assert dict(figures.functions) == {int(code): many for code, many in facts["request_fcs"].items()}
    codes: dict[int, int] = {}
    for device in figures.devices:
        for code, many in device.exception_codes:
            codes[code] = codes.get(code, 0) + many
    assert codes == {int(code): many for code, many in facts["exception_codes"].items()}
    assert sorted({device.unit for device in figures.devices}) == facts["unit_ids"]
    times = facts["response_time_us"]
    assert figures.reply is not None
    assert figures.reply.replies == times["n"]
    assert figures.reply.least_ns == times["min"] * 1000
    assert figures.reply.median_ns == times["median"] * 1000
    assert figures.reply.most_ns == times["max"] * 1000
    # Reader A lists at most 20 frames of a file.
    told = facts["unanswered_frames"]
    if facts["unanswered_requests"] <= min(len(told), 256):
        assert [one.frame for one in figures.unanswered] == told
    if facts["unmatched_responses"] <= 256:
        assert [one.frame for one in figures.unasked] == facts["unmatched_response_frames"]


@pytest.mark.parametrize("entry", SPOKEN, ids=[entry["file"] for entry in SPOKEN])
def test_modbus_against_the_other_reader(entry: dict[str, Any], read: Any) -> None:
    """Reader B has no Modbus in segments that it takes for retransmissions, and no times of exceptions."""
    theirs, totals = entry["reader_b"]["modbus"], read(entry["file"]).totals
    hidden = 3 if entry["file"] == "both-sides-of-nat.pcap" else 0
    assert totals["requests_seen"] == theirs["requests"]
    assert totals["responses_seen"] - hidden == theirs["responses"]
    assert totals["matched"] - totals["matched_exceptions"] - hidden == theirs["matched"]


def test_a_fuzzed_stream_invents_nothing(read: Any) -> None:
    figures = read(FUZZED)
    assert figures.totals["matched"] == 0
    assert figures.reply is None
    assert figures.totals["responses_seen"] == figures.totals["exceptions"] == 7


@pytest.mark.parametrize("entry", [e for e in FACTS if "lldp" in e["facts"]], ids=lambda e: e["file"])
def test_neighbours(entry: dict[str, Any], read: Any) -> None:
    facts = entry["facts"]["lldp"]
    seen = [one for one in read(entry["file"]).neighbours if one.protocol == "LLDP"]
    assert sum(one.frames for one in seen) == facts["frames"]
    assert len(seen) == facts["distinct_msap"] if "distinct_msap" in facts else True
    for told in facts["neighbours"]:
        (one,) = [one for one in seen if (one.chassis, one.port) == (told["chassis"], told["port"])]
        assert one.hardware == told["src"]
        assert one.name == told.get("sysname", "")
        assert list(one.addresses) == told.get("mgmt", [])


@pytest.mark.parametrize("entry", [e for e in FACTS if "stp" in e["facts"]], ids=lambda e: e["file"])
def test_spanning_tree(entry: dict[str, Any], read: Any) -> None:
    facts, figures = entry["facts"]["stp"], read(entry["file"])
    said = figures.spanning
    assert said["bpdus"] == facts["bpdus"]
    for ours, theirs in (
        ("change", "tc_set"),
        ("acknowledged", "tca_set"),
        ("proposal", "proposal"),
        ("agreement", "agreement"),
    ):
        assert said.get(ours, 0) == facts[theirs], ours
    assert {f"root {root.replace('/', '.')}": many for root, many in facts["roots"].items()} == {
        word: many for word, many in said.items() if word.startswith("root ")
    }
    assert sum(one.frames for one in figures.topology) == facts["tc_set"]


def test_identification_frames(read: Any) -> None:
    """Reader A: one identify, its answer, one order to change the address and its answer."""
    figures = read("dcp-change-ip.pcap")
    facts = next(entry for entry in FACTS if entry["file"] == "dcp-change-ip.pcap")["facts"]["profinet"]
    assert {word.removeprefix("dcp "): many for word, many in figures.spanning.items()} == facts["dcp"]
    (station,) = figures.neighbours
    assert [station.name] == facts["names"]
    assert station.addresses[0] in facts["ips"]


def test_an_address_is_claimed_that_another_uses(read: Any) -> None:
    """The facts' page: one claims .250 and .101 by ARP; who really uses them shows in IP frames only."""
    conflicts = {one.address.rsplit(".", 1)[1]: one for one in read("arp-poison-broadcast.pcap").conflicts}
    assert set(conflicts) == {"250", "101"}
    claims = {claim.hardware for one in conflicts.values() for claim in one.claims if claim.arp}
    assert claims == set(
        next(entry for entry in FACTS if entry["file"] == "arp-poison-broadcast.pcap")["facts"]["arp"][
            "macs_with_several_ips"
        ]
    )


def test_snmp_versions(read: Any) -> None:
    """Versions by reader A; the names that were sent are counted, never kept."""
    for name in ("snmp-mixed-versions.pcapng", "snmpwalk-short.pcap", "substation-goose-ntp-snmp.pcap"):
        versions = next(entry for entry in FACTS if entry["file"] == name)["facts"]["snmp"]["versions"]
        totals = read(name).totals
        assert (totals["snmp1"], totals["snmp2"], totals["snmp3"]) == tuple(
            versions.get(version, 0) for version in ("1", "2c", "3")
        ), name
