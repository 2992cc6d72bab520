"""Switches by SNMP against real daemons: snmpd, lldpd by AgentX, spanning tree of the kernel's bridge."""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
COMMUNITY = "tarn-hollow-reads"
SECRETS = {
    "BUSWITNESS_SNMP_COMMUNITY": COMMUNITY,
    "BUSWITNESS_SNMP_AUDITOR_AUTH": "authpass-tarn-hollow",
    "BUSWITNESS_SNMP_AUDITOR_PRIVACY": "privpass-tarn-hollow",
}
CONF = """\
agentaddress udp:{address}:161
rocommunity {community}
createUser auditor SHA-256 "{BUSWITNESS_SNMP_AUDITOR_AUTH}" AES "{BUSWITNESS_SNMP_AUDITOR_PRIVACY}"
rouser auditor priv
sysName {name}
engineID {name}
master agentx
agentXSocket unix:{sockets}/agentx
agentXPerms 0777 0777
pass_persist .1.3.6.1.2.1.17 {python} {bridge}
"""
MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
networks: [{name: gear, subnet: 10.77.1.0/24, root: SW-1}]
links:
  - {name: ring-1, ends: [{tag: SW-1, port: p1}, {tag: SW-2, port: p1}], redundancy: stp}
  - {name: ring-2, ends: [{tag: SW-2, port: p2}, {tag: SW-3, port: p1}], redundancy: stp}
  - {name: ring-3, ends: [{tag: SW-3, port: p2}, {tag: SW-1, port: p2}], redundancy: stp}
devices:
  - tag: SW-1
    kind: switch
    profile: managed-switch
    section: A
    address: {host: 10.77.1.1}
    snmp: {}
  - tag: SW-2
    kind: switch
    profile: managed-switch
    section: A
    address: {host: 10.77.1.2}
    snmp: {version: "3", user: auditor, secret: AUDITOR}
  - tag: SW-3
    kind: switch
    profile: managed-switch
    section: A
    address: {host: 10.77.1.3}
    snmp: {}
"""


@pytest.fixture
def sockets() -> Iterator[Path]:
    """A directory that daemons without root's rights can reach too."""
    directory = Path(tempfile.mkdtemp(prefix="bw-"))
    directory.chmod(0o755)
    yield directory
    shutil.rmtree(directory)


def agent(  # what a switch is, and where its daemons meet
    switch: Any, name: str, address: str, sockets: Path, daemon: Callable[..., str], wait_for: Any
) -> None:
    """Start snmpd and lldpd on a switch of the laboratory."""
    snmpd, lldpd = daemon("snmpd"), daemon("lldpd")
    own = sockets / name
    own.mkdir(mode=0o755)
    own.chmod(0o777)  # lldpd binds its socket without root's rights
    bridge = own / "bridge_mib.py"
    shutil.copy(HERE / "bridge_mib.py", bridge)
    conf = switch.directory / "snmpd.conf"
    conf.write_text(
        CONF.format(
            address=address,
            community=COMMUNITY,
            name=name,
            sockets=own,
            python="/usr/bin/python3" if Path("/usr/bin/python3").exists() else sys.executable,
            bridge=bridge,
            **SECRETS,
        )
    )
    state = {"SNMP_PERSISTENT_DIR": str(own / "state"), "MIBS": ""}
    switch.start(snmpd, "-f", "-LE", "4", "-C", "-c", conf, "-p", switch.directory / "pid", **state)
    wait_for((own / "agentx").exists, f"snmpd of {name}\n{switch.output()}")
    switch.start(lldpd, "-d", "-u", own / "ctl", "-x", "-X", own / "agentx", "-I", "p*", "-C", "p*", "-k")


def lldp(switch: Any, name: str, sockets: Path, *command: str) -> str:
    """A command to the lldpd of a switch; what it says."""
    return str(switch.run("lldpcli", "-u", sockets / name / "ctl", *command, check=False).stdout)


def ring(lab_net: Any, sockets: Path, daemon: Any, wait_for: Any) -> list[Any]:
    """Three switches in a ring, each with its agent; back when the tree has settled and neighbours see each other."""
    switches = [lab_net.switch(f"sw{n}", stp=True, priority=4096 * n) for n in (1, 2, 3)]
    for number, switch in enumerate(switches, start=1):
        switch.ip("addr", "add", f"10.77.1.{number}/24", "dev", "br0")
    for one, two in ((0, 1), (1, 2), (2, 0)):
        lab_net.trunk(switches[one], switches[two])
    for number, switch in enumerate(switches, start=1):
        agent(switch, f"SW-{number}", f"10.77.1.{number}", sockets, daemon, wait_for)
    for number, switch in enumerate(switches, start=1):
        name = f"SW-{number}"
        ctl = sockets / name / "ctl"
        wait_for(ctl.exists, f"lldpd of {name}\n{switch.output()}")

        def named(switch: Any = switch, name: str = name) -> bool:
            lldp(switch, name, sockets, "configure", "system", "hostname", name)
            lldp(switch, name, sockets, "resume")
            return name in lldp(switch, name, sockets, "show", "chassis")

        wait_for(named, f"lldpd of {name} to answer\n{switch.output()}")
        lldp(switch, name, sockets, "configure", "lldp", "tx-interval", "1")
    for number, switch in enumerate(switches, start=1):
        wait_for(
            lambda s=switch, n=f"SW-{number}": lldp(s, n, sockets, "show", "neighbors").count("SysName") >= 2,
            f"two neighbours of SW-{number}",
            bound_s=20.0,
        )

    def settled() -> bool:
        said = "".join(switch.run("bridge", "link").stdout for switch in switches)
        states = [line.split(" state ")[1].split()[0] for line in said.splitlines() if " state " in line]
        return states.count("blocking") == 1 and set(states) == {"blocking", "forwarding"}

    wait_for(settled, "one blocked port, all others forwarding")
    return switches


REACH = """
import socket, sys
try:
    socket.create_connection((sys.argv[1], 9), 1)
except ConnectionRefusedError:
    pass  # somebody is there who refuses
"""


def reaches(laptop: Any, host: str) -> bool:
    """Whether a host answers at all."""
    return laptop.run(sys.executable, "-c", REACH, host, check=False).returncode == 0


def survey(laptop: Any, directory: Path, *more: str, text: str = MAP, **secrets: str) -> dict[str, Any]:
    """Run the survey on the laptop; its JSON."""
    (directory / "map.yaml").write_text(text)
    record = directory / f"r{len(list(directory.glob('*.jsonl')))}.audit.jsonl"
    done = laptop.buswitness(
        "survey", directory / "map.yaml", "--listen", "0", "--dwell", "2s", "--record", record, "--json",
        "--no-sign", *more, **secrets,
    )  # fmt: skip
    assert done.returncode in (0, 1, 3), done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    document["record"] = record
    return document


def verdicts(document: dict[str, Any], check: str, subject: str = "") -> dict[tuple[str, str], str]:
    """Verdict of each finding of a check, by subject and title."""
    return {
        (one["subject"], one["title"]): one["verdict"]
        for one in document["findings"]
        if one["check"] == check and subject in ("", one["subject"])
    }


def test_a_ring_as_drawn(lab_net: Any, tmp_path: Path, sockets: Path, daemon: Any, wait_for: Any) -> None:
    """Truth: the ring is whole, SW-1 has the least priority number and is the root (IEEE 802.1D, from memory)."""
    switches = ring(lab_net, sockets, daemon, wait_for)
    laptop = lab_net.host("laptop", switches[0], "10.77.1.9/24")
    wait_for(lambda: reaches(laptop, "10.77.1.3"), "the laptop's port to forward")
    document = survey(laptop, tmp_path, **SECRETS)
    said = json.dumps(document, default=str, indent=1)

    assert set(verdicts(document, "switch.tells").values()) == {"pass"}, said
    assert set(verdicts(document, "link.drawn").values()) == {"pass"}, said
    assert len(verdicts(document, "link.drawn")) == 3
    assert set(verdicts(document, "switch.tree_root").values()) == {"pass"}, said
    assert set(verdicts(document, "switch.steady").values()) == {"pass"}, said
    assert set(verdicts(document, "link.engine_id").values()) == {"pass"}, said
    # The kernel's bridge has no duplex of its own for veth, and no sensors: nothing is made up.
    assert set(verdicts(document, "switch.duplex").values()) == {"not tested"}, said
    assert set(verdicts(document, "switch.temperature").values()) == {"not tested"}, said
    states = [f["observed"] for f in document["findings"] if f["check"] == "switch.tree_state"]
    assert sum("alternate, blocking" in state for state in states) == 1, said

    text = document["record"].read_text()
    for secret in SECRETS.values():
        assert secret not in text
        assert secret.encode().hex() not in text
    again = laptop.buswitness("record", "judge", document["record"], "--json")
    assert json.loads(again.stdout)["judged_again"]["equal"] == len(document["findings"])
