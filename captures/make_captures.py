"""Makes the small captures of this folder from the record of an audit of the practice lineup.

    python captures/make_captures.py

Each answered exchange of the record becomes a request and an answer on a simulated wire at 192.0.2.0/24, one
address a device, port 502; then faults are put in. ``msb-1-healthy.pcapng`` is the traffic alone,
``msb-1-faults.pcapng`` has somebody who writes, two devices on one address, a change of the spanning tree,
segments sent again, an old SNMP version and a device that falls silent.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from probe.model.evidence import Exchange, Framing
from probe.practice.packets import (
    ACK,
    SYN,
    Connection,
    End,
    Packet,
    arp,
    ethernet,
    ip4,
    modbus,
    pcapng,
)
from probe.record.content import load

HERE = Path(__file__).resolve().parent
RECORD = HERE.parent / "tests" / "records" / "report.audit.jsonl"
START_NS = 1_773_480_000_000_000_000  # 2026-03-14, a day of the practice lineup
LAPTOP = ("192.0.2.10", "02:00:5e:20:00:0a")
ALL = "ff:ff:ff:ff:ff:ff"
MS = 1_000_000


def talk() -> list[Packet]:
    """The exchanges of the record as frames, in the order of their times."""
    content = load(RECORD)
    exchanges = [
        one for _, one in content.evidence.get(Exchange, ()) if one.framing is Framing.MBAP and one.response
    ]
    wires: dict[str, Connection] = {}
    frames: list[Packet] = []
    last: dict[str, int] = {}
    for one in sorted(exchanges, key=lambda one: one.sent_ns):
        if one.tag not in wires:
            number = 20 + len(wires)
            server = End(f"192.0.2.{number}", 502, f"02:00:5e:20:00:{number:02x}", start=7000 * number)
            wires[one.tag] = Connection(client=End(LAPTOP[0], 40_000 + number, LAPTOP[1]), server=server)
            frames += opening(wires[one.tag], START_NS + one.sent_ns - 2 * MS)
        wire = wires[one.tag]
        sent = max(one.sent_ns, last.get(one.tag, 0) + 1000)
        frames.append(Packet(START_NS + sent, wire.say(one.request, by_server=False)))
        last[one.tag] = max(one.received_ns, sent + 1000)
        frames.append(Packet(START_NS + last[one.tag], wire.say(one.response, by_server=True)))
    return sorted(frames)


def opening(wire: Connection, at: int) -> list[Packet]:
    """ARP, and the connection opened."""
    asks = arp(1, (LAPTOP[1], LAPTOP[0]), ("00:00:00:00:00:00", wire.server.address))
    says = arp(2, (wire.server.hardware, wire.server.address), (LAPTOP[1], LAPTOP[0]))
    frames = [
        ethernet(LAPTOP[1], ALL, 0x0806, asks),
        ethernet(wire.server.hardware, LAPTOP[1], 0x0806, says),
        wire.say(b"", by_server=False, flags=SYN),
        wire.say(b"", by_server=True, flags=SYN | ACK),
        wire.say(b"", by_server=False, flags=ACK),
    ]
    return [Packet(at + number * MS // 10, frame) for number, frame in enumerate(frames)]


def stranger(at: int) -> Iterator[Packet]:
    """Somebody who writes two registers of the first device."""
    wire = Connection(
        client=End("192.0.2.66", 51_515, "02:00:5e:20:00:42"),
        server=End("192.0.2.20", 502, "02:00:5e:20:00:14", start=99_000),
    )
    request = bytes((16, 0x03, 0xE8, 0, 2, 4, 0, 1, 0, 2))
    yield from opening(wire, at)
    yield Packet(at + 5 * MS, wire.say(modbus(1, 255, request), by_server=False))
    yield Packet(at + 25 * MS, wire.say(modbus(1, 255, request[:5]), by_server=True))


def silence(at: int) -> Iterator[Packet]:
    """A device that is asked every second and answers no more after a while; each request is sent twice."""
    wire = Connection(
        client=End("192.0.2.11", 40_100, "02:00:5e:20:00:0b"),
        server=End("192.0.2.90", 502, "02:00:5e:20:00:5a", start=5000),
    )
    yield from opening(wire, at)
    for number in range(40):
        now = at + (number + 1) * 200 * MS
        ask = modbus(number, 255, bytes((3, 0, 0, 0, 1)))
        seq, ack = wire.client.next, wire.server.next
        yield Packet(now, wire.say(ask, by_server=False))
        if number < 20:
            yield Packet(now + 12 * MS, wire.say(modbus(number, 255, bytes((3, 2, 0, 5))), by_server=True))
        else:
            yield Packet(now + 190 * MS, wire.segment(seq, ack, ask, by_server=False))


def network(at: int) -> Iterator[Packet]:
    """Two devices claim one address; a bridge tells a change; a switch tells its name; SNMP in the clear."""
    for number, hardware in enumerate(("02:00:5e:20:00:15", "02:00:5e:20:00:77")):
        claim = arp(2, (hardware, "192.0.2.21"), (ALL, "192.0.2.21"))
        yield Packet(at + number * 50 * MS, ethernet(hardware, ALL, 0x0806, claim))
    switch = "02:00:5e:20:00:f1"
    root = bytes.fromhex("8000" + switch.replace(":", ""))
    for number, flags in enumerate((0x3C, 0x3D, 0x3D, 0x3C)):
        body = bytes.fromhex("4242030000" + "0202") + bytes([flags]) + root + bytes(4) + root
        body += bytes.fromhex("8001" + "0000" + "1400" + "0200" + "0f00" + "00")
        frame = ethernet(switch, "01:80:c2:00:00:00", len(body), body)
        yield Packet(at + (100 + number * 2000) * MS, frame)
    values = ((1, b"\x04" + root[2:]), (2, b"\x07port 4"), (3, b"\0\x78"), (5, b"SW-1"), (0, b""))
    told = b"".join((kind << 9 | len(value)).to_bytes(2, "big") + value for kind, value in values)
    yield Packet(at + 150 * MS, ethernet(switch, "01:80:c2:00:00:0e", 0x88CC, told))
    get = bytes.fromhex(
        "302902010104067075626c6963a01c020400000001020100020100300e300c06082b060102010101000500"
    )
    head = (
        (51_000).to_bytes(2, "big") + (161).to_bytes(2, "big") + (8 + len(get)).to_bytes(2, "big") + bytes(2)
    )
    packet = ip4("192.0.2.12", "192.0.2.30", 17, head + get)
    yield Packet(at + 200 * MS, ethernet("02:00:5e:20:00:0c", "02:00:5e:20:00:1e", 0x0800, packet))


def main() -> None:
    """Write both captures."""
    healthy = talk()
    (HERE / "msb-1-healthy.pcapng").write_bytes(pcapng(healthy))
    first = healthy[0].wall_ns
    parts = (stranger(first + 700 * MS), silence(first + 100 * MS), network(first + 300 * MS))
    faults = sorted([*healthy, *(packet for part in parts for packet in part)])
    (HERE / "msb-1-faults.pcapng").write_bytes(pcapng(faults))


if __name__ == "__main__":
    main()
