"""The survey in small networks with real daemons, against what was built there.

lldpd speaks on the switch, the kernel's bridge runs the spanning tree, chronyd broadcasts its time, two hosts
have one address, two have each other's, one is missing, one nobody drew. Everything stays in namespaces.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

DEVICES = 6
#: A Modbus TCP server that knows Read Device Identification and refuses all else.
SERVER = """
import socket, sys, threading
OBJECTS = [b"Quellmark", sys.argv[2].encode(), b"1.4"]
def serve(client):
    while len(head := client.recv(260)) >= 8:
        pdu = head[7:]
        reply = bytes([pdu[0] | 0x80, 2])
        if pdu[:2] == b"\\x2b\\x0e":
            told = b"".join(bytes([i, len(o)]) + o for i, o in enumerate(OBJECTS))
            reply = b"\\x2b\\x0e\\x01\\x01\\0\\0\\3" + told
        client.sendall(head[:4] + (len(reply) + 1).to_bytes(2, "big") + head[6:7] + reply)
listener = socket.create_server((sys.argv[1], 502))
while True:
    threading.Thread(target=serve, args=(listener.accept()[0],), daemon=True).start()
"""
#: A PROFINET station: answers an identify request with its name and address.
STATION = """
import socket, struct, sys
from probe.model.frames.ethernet import decode, encode
port = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x8892))
port.bind(("eth0", 0x8892))
print("ready", flush=True)
def block(option, sub, value):
    value = b"\\0\\1" + value
    return bytes((option, sub)) + struct.pack("!H", len(value)) + value + b"\\0" * (len(value) % 2)
numbers = socket.inet_aton("10.77.1.31") + bytes([255, 255, 0, 0]) + bytes(4)
blocks = block(2, 2, b"io-1") + block(1, 2, numbers)
while True:
    frame = decode(port.recv(2000))
    if frame.payload[:2] == b"\\xfe\\xfe":
        head = b"\\xfe\\xff\\5\\1" + frame.payload[4:8] + b"\\0\\0" + struct.pack("!H", len(blocks))
        own = sys.argv[1]
        port.send(encode(frame.source, own, 0x8892, head + blocks))
"""
#: Tells everybody, again and again, a community name in the clear.
SPEAKER = """
import socket, time
speaker = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
speaker.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
rest = bytes.fromhex("a019020201f5020100020100300d300b06072b060102010102")
message = bytes.fromhex("3026020101") + b"\\4\\6public" + rest
for turn in range(600):
    speaker.sendto(message, ("10.77.1.255", 161))
    print("ready", flush=True)
    time.sleep(0.2)
"""
STORM = """
import socket
from probe.model.frames import arp
port = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
port.bind(("eth0", 0))
for n in range(60_000):
    try:
        port.send(arp.request("02:00:5e:77:%02x:%02x" % (n >> 8 & 255, n & 255), "10.77.9.1", "10.77.9.2"))
    except OSError:
        pass
"""


def hw(last: int) -> str:
    return f"02:00:5e:77:00:{last:02d}"


def lineup(directory: Path, many: int = DEVICES) -> Path:
    """A map of meters, 10.77.1.11 and following, with the hardware addresses that ``hw`` gives."""
    devices = "".join(
        f"  - {{tag: F{n}, kind: meter, profile: meter-float, section: A, "
        f'address: {{host: 10.77.1.{10 + n}}}, hardware_address: "{hw(10 + n)}"}}\n'
        for n in range(1, many + 1)
    )
    head = (
        "format: buswitness-map/1\nsite: Tarn Hollow Water Works\nlineup: MSB-1\n"
        "system: {voltage_v: 480, frequency_hz: 60}\n"
        "networks:\n  - {name: control, subnet: 10.77.1.0/24, router: 10.77.1.1}\n"
    )
    path = directory / "lineup.yaml"
    path.write_text(f"{head}devices:\n{devices}")
    return path


def verdicts(document: dict[str, Any], check: str) -> dict[tuple[str, str], str]:
    """Verdict by subject and point of one check."""
    return {
        (f["subject"], f["point"] or ""): f["verdict"] for f in document["findings"] if f["check"] == check
    }


def told(document: dict[str, Any], check: str, subject: str) -> str:
    """All texts of one check on one subject."""
    found = [f for f in document["findings"] if (f["check"], f["subject"]) == (check, subject)]
    return " | ".join(f"{f['verdict']}: {f['title']}: {f['observed']}" for f in found)


def surveyed(laptop: Any, *arguments: str | Path, prefix: tuple[str, ...] = ()) -> dict[str, Any]:
    """The object that a survey prints; its exit code beside it is asserted to be no fault of ours."""
    command = (*prefix, sys.executable, "-m", "probe", "survey", *arguments, "--json")
    done = laptop.run(*command, check=False, timeout_s=170, PYTHONPATH=ROOT)
    assert done.returncode in (0, 1, 3), done.stderr
    return json.loads(done.stdout)


ROOT = str(Path(__file__).resolve().parents[3])


@pytest.fixture
def started(lab_net: Any, wait_for: Callable[..., None]) -> Callable[..., Any]:
    """Plugs in a host with a Modbus server that answers already."""

    def start(switch: Any, name: str, address: str, hardware: str, model: str = "QM-30F") -> Any:
        host = lab_net.host(name, switch, f"{address}/24", hardware=hardware)
        host.python(SERVER, address, model)
        connect = f"import socket; socket.create_connection(('{address}', 502), 1)"
        wait_for(lambda: host.run("python3", "-c", connect, check=False).returncode == 0, f"{name} serves")
        return host

    return start


def test_a_cabinet_with_everything_wrong(
    lab_net: Any,
    started: Callable[..., Any],
    daemon: Callable[..., str],
    wait_for: Callable[..., None],
    tmp_path: Path,
) -> None:
    switch = lab_net.switch("sw", stp=True)
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    started(switch, "f1", "10.77.1.11", hw(11))
    started(switch, "f2", "10.77.1.12", hw(12))
    lab_net.host("twin", switch, "10.77.1.12/24", hardware=hw(92))
    lab_net.host("f4", switch, "10.77.1.14/24", hardware=hw(15))  # F4 and F5 are swapped
    lab_net.host("f5", switch, "10.77.1.15/24", hardware=hw(14))
    lab_net.host("f6", switch, "10.77.1.66/24", hardware=hw(16))  # F6 moved; F3 is missing
    started(switch, "stranger", "10.77.1.50", hw(50), "QM-9")
    station = lab_net.host("station", switch, "10.77.1.31/24", hardware=hw(31))
    station.python(STATION, hw(31))
    speaker = lab_net.host("speaker", switch, "10.77.1.32/24", hardware=hw(32))
    speaker.python(SPEAKER)
    clock(lab_net, switch, daemon("chronyd", "chrony"), wait_for)
    neighbour(lab_net, switch, daemon("lldpd"), wait_for)
    for host in (station, speaker):
        wait_for(lambda host=host: "ready" in host.output(), f"{host.label} is ready\n{host.output()}")
    found = surveyed(
        laptop, lineup(tmp_path), "--listen", "6s", "--range", "10.77.1.1-10.77.1.70", "--rate", "100"
    )

    assert found["format"] == "buswitness-survey/1"
    present = verdicts(found, "network.present")
    assert {tag for (tag, _), verdict in present.items() if verdict == "fail"} == {"F3", "F6"}
    assert "10.77.1.66" in told(found, "network.present", "F6")
    once = verdicts(found, "network.address_once")
    assert once[("F2", "")] == "fail"
    assert once[("F1", "")] == "pass"
    assert hw(92) in told(found, "network.address_once", "F2")
    assert found["network"]["conflicts"] == ["10.77.1.12"]
    assert "Swapped with F5" in told(found, "network.hardware_address", "F4")
    assert "Swapped with F4" in told(found, "network.hardware_address", "F5")
    assert verdicts(found, "network.hardware_address")[("F1", "")] == "pass"

    strangers = {one["address"]: one for one in found["network"]["strangers"]}
    assert strangers["10.77.1.50"]["modbus"] is True
    assert strangers["10.77.1.50"]["said"] == {"maker": "Quellmark", "model": "QM-9", "version": "1.4"}
    assert {"10.77.1.31", "10.77.1.32", "10.77.1.40"} <= set(strangers)
    assert "10.77.1.66" not in strangers  # F6, which the map holds
    assert "host: 10.77.1.50" in found["network"]["proposal"]

    (near,) = found["network"]["neighbours"]
    assert (near["port"], near["duplex"]) == ("p1", "full") or near["port_description"] == "p1"
    assert len(found["network"]["bridges"]) == 1
    assert "io-1" in told(found, "network.stations", "lineup")
    assert "mask 255.255.0.0" in told(found, "network.subnets", "lineup")
    assert "stratum 3" in told(found, "network.time_announcements", "lineup")
    assert "fail: A community name of SNMP" in told(found, "network.secrets", "lineup")

    record = laptop.directory / found["record"]["path"]
    kept = record.read_bytes()
    assert b"public" not in kept  # neither as text nor as bytes of a frame
    assert b"public".hex().encode() not in kept
    again = laptop.buswitness("record", "judge", record, "--json", "--record", tmp_path / "again.audit.jsonl")
    judged = json.loads(again.stdout)
    assert [f["id"] for f in judged["findings"]] == [f["id"] for f in found["findings"]]
    assert [f["verdict"] for f in judged["findings"]] == [f["verdict"] for f in found["findings"]]


def clock(lab_net: Any, switch: Any, chronyd: str, wait_for: Callable[..., None]) -> None:
    """A time server that broadcasts: ``local stratum 3`` is what it says of itself (chrony.conf(5))."""
    host = lab_net.host("clock", switch, "10.77.1.40/24", hardware=hw(40))
    config = lab_net.sockets / "chrony.conf"
    lines = ("broadcast 1 10.77.1.255", "local stratum 3", "cmdport 0", f"pidfile {lab_net.sockets}/pid")
    config.write_text("\n".join((*lines, "bindcmdaddress /", "")))
    host.start(chronyd, "-x", "-d", "-U", "-u", "root", "-f", config)
    wait_for(lambda: ":123 " in host.run("ss", "-lnu").stdout or "Initial" in host.output(), host.output())


def neighbour(lab_net: Any, switch: Any, lldpd: str, wait_for: Callable[..., None]) -> None:
    """lldpd on the ports of the switch, one message a second."""
    control = lab_net.sockets / "lldpd"
    switch.start(lldpd, "-d", "-u", control, "-I", "p*")
    wait_for(lambda: "resume operations" in switch.output(), f"lldpd is up\n{switch.output()}")
    asked = ("lldpcli", "-u", control)
    switch.run(*asked, "configure", "lldp", "tx-interval", "1", check=False)
    sent: set[int] = set()

    def speaks() -> bool:
        """Whether it goes on sending; now and then it stays paused if it is configured while it starts."""
        switch.run(*asked, "resume", check=False)
        told = switch.run(*asked, "-f", "keyvalue", "show", "statistics", "summary", check=False).stdout
        sent.update(
            int(line.partition("=")[2]) for line in told.split() if line.startswith("lldp.summary.tx.tx=")
        )
        return len(sent) >= 4

    wait_for(speaks, f"lldpd speaks\n{switch.output()}")


def test_without_the_right_to_hear_frames(
    lab_net: Any, started: Callable[..., Any], daemon: Callable[..., str], tmp_path: Path
) -> None:
    switch = lab_net.switch("sw")
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    started(switch, "f1", "10.77.1.11", hw(11))
    lab_net.host("f2", switch, "10.77.1.12/24", hardware=hw(99))
    started(switch, "stranger", "10.77.1.17", hw(50))
    bare = (daemon("setpriv", "util-linux"), "--bounding-set", "-net_raw", "--inh-caps", "-net_raw")
    arguments = (lineup(tmp_path), "--listen", "30s", "--range", "10.77.1.11-10.77.1.18", "--rate", "100")
    found = surveyed(laptop, *arguments, prefix=bare)
    assert "may not hear raw frames" in told(found, "network.listening", "lineup")
    assert verdicts(found, "network.listening") == {("lineup", ""): "not tested"}
    present = verdicts(found, "network.present")
    assert (present[("F1", "")], present[("F2", "")], present[("F3", "")]) == ("pass", "pass", "fail")
    assert verdicts(found, "network.hardware_address")[("F2", "")] == "fail"
    assert verdicts(found, "network.address_once")[("F1", "")] == "not tested"  # a table shows one owner only
    assert [one["address"] for one in found["network"]["strangers"]] == ["10.77.1.17"]
    for check in ("network.loop", "network.storm", "network.secrets", "network.routers"):
        assert verdicts(found, check) == {("lineup", ""): "not tested"}


def test_a_ring_that_opens_while_the_survey_listens(
    lab_net: Any, wait_for: Callable[..., None], tmp_path: Path
) -> None:
    """IEEE 802.1D (from memory): when a forwarding port fails, all bridges are told by a flag."""
    ring = [lab_net.switch(f"sw{n}", stp=True, priority=4096 * n) for n in (1, 2, 3)]
    trunks = [lab_net.trunk(ring[one], ring[two]) for one, two in ((0, 1), (1, 2), (2, 0))]
    laptop = lab_net.host("laptop", ring[1], "10.77.1.9/24")
    wait_for(lambda: "blocking" in ring[2].run("bridge", "link").stdout, "the ring is open at one port")
    wait_for(lambda: steady(ring[0]), "the tree is quiet")
    arguments = (lineup(tmp_path), "--silent", "--listen", "10s", "--record", tmp_path / "ring.audit.jsonl")
    out, process = begun(laptop, *arguments)
    wait_for(lambda: "Listening on eth0" in out.read_text(), "the survey listens")
    time.sleep(1.5)  # one message of the quiet tree, whatever the machine does meanwhile
    ring[0].ip("link", "set", trunks[0][0], "down")
    assert process.wait(120) in (0, 1, 3)
    found = judged(laptop, tmp_path / "ring.audit.jsonl")
    assert verdicts(found, "network.spanning_tree")[("lineup", "change")] == "review"


def steady(switch: Any) -> bool:
    return " topology_change 0 " in switch.run("ip", "-d", "link", "show", "br0").stdout


def begun(laptop: Any, *arguments: str | Path) -> tuple[Path, subprocess.Popen[str]]:
    """A survey begun, with the file that its output goes to."""
    process = laptop.start(sys.executable, "-m", "probe", "survey", *arguments, PYTHONPATH=ROOT)
    return next(iter(sorted(laptop.directory.glob("*.out"))[-1:])), process


def judged(laptop: Any, record: Path) -> dict[str, Any]:
    """The verdicts of a record, judged again."""
    again = record.with_suffix(".again.jsonl")
    done = laptop.buswitness("record", "judge", record, "--json", "--record", again)
    return json.loads(done.stdout)


def test_silent_sends_nothing(lab_net: Any, tmp_path: Path) -> None:
    switch = lab_net.switch("sw")
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    lab_net.host("f1", switch, "10.77.1.11/24", hardware=hw(11))
    sent = "/sys/class/net/eth0/statistics/tx_packets"
    before = laptop.run("cat", sent).stdout
    found = surveyed(laptop, lineup(tmp_path), "--silent", "--listen", "1s")
    assert laptop.run("cat", sent).stdout == before
    assert found["devices"] == []
    assert found["left_out"] == [f"F{n}" for n in range(1, DEVICES + 1)]


def test_a_storm_is_told_and_bounded(lab_net: Any, wait_for: Callable[..., None], tmp_path: Path) -> None:
    switch = lab_net.switch("sw")
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    stormy = lab_net.host("stormy", switch, "10.77.1.99/24")
    record = tmp_path / "storm.audit.jsonl"
    out, process = begun(laptop, lineup(tmp_path), "--silent", "--listen", "6s", "--record", record)
    wait_for(lambda: "Listening on eth0" in out.read_text(), "the survey listens")
    stormy.python(STORM).wait(60)
    assert process.wait(120) in (0, 1, 3), out.read_text()
    assert record.stat().st_size < 20_000_000
    found = judged(laptop, record)
    assert verdicts(found, "network.storm") == {("lineup", ""): "fail"}
    assert verdicts(found, "network.listening") == {("lineup", ""): "review"}  # more senders than are counted


@pytest.mark.parametrize("end", ["interrupt", "interface gone"])
def test_it_ends_in_good_order(lab_net: Any, wait_for: Callable[..., None], tmp_path: Path, end: str) -> None:
    switch = lab_net.switch("sw")
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    record = tmp_path / "cut.audit.jsonl"
    out, process = begun(laptop, lineup(tmp_path, 1), "--listen", "10m", "--rate", "200", "--record", record)
    wait_for(lambda: "Listening on eth0" in out.read_text(), "the survey listens")
    if end == "interrupt":
        process.send_signal(signal.SIGINT)
    else:
        laptop.ip("link", "del", "eth0")
    code = process.wait(120)
    assert code == (3 if end == "interrupt" else 1), out.read_text()
    assert laptop.buswitness("record", "verify", record).returncode == 0
    found = judged(laptop, record)
    listening = told(found, "network.listening", "lineup")
    assert "frames in" in listening
    if end == "interface gone":
        assert "no longer heard" in out.read_text()
        assert listening.startswith("review")


def test_services_are_asked_only_when_wanted(
    lab_net: Any, daemon: Callable[..., str], wait_for: Callable[..., None], tmp_path: Path
) -> None:
    switch = lab_net.switch("sw")
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    host = lab_net.host("f1", switch, "10.77.1.11/24", hardware=hw(11))
    config = lab_net.sockets / "snmpd.conf"
    config.write_text("rocommunity public\nagentaddress udp:10.77.1.11:161\n")
    host.start(
        daemon("snmpd"), "-f", "-C", "-c", config, "-Lo", "-I", "-smux", "-p", lab_net.sockets / "snmpd.pid"
    )
    greeter = (
        "import socket\nlistener = socket.create_server(('10.77.1.11', 23))\n"
        "while True:\n    c, _ = listener.accept()\n    c.sendall(b'cabinet 7 login: ')\n"
    )
    host.python(greeter)
    listens = ("ss", "-lntu")
    wait_for(
        lambda: all(p in host.run(*listens).stdout for p in (":161 ", ":23 ")), f"both serve\n{host.output()}"
    )
    arguments = (lineup(tmp_path, 1), "--listen", "0s", "--rate", "200")
    assert "network.services" not in {f["check"] for f in surveyed(laptop, *arguments)["findings"]}
    found = surveyed(laptop, *arguments, "--services")
    said = told(found, "network.services", "lineup")
    assert said.startswith("fail: F1 offers telnet and snmp with a default community name")
    assert "cabinet 7 login:" in said
