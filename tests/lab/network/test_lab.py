"""The laboratory itself: what it makes is there, and what a test leaves behind is gone."""

from __future__ import annotations

import subprocess


def test_hosts_on_two_switches_reach_each_other_and_nobody_else(lab_net, wait_for) -> None:
    one, two = lab_net.switch("sw1"), lab_net.switch("sw2")
    assert lab_net.trunk(one, two) == ("p1", "p1")
    laptop = lab_net.host("laptop", one, "10.77.1.9/24")
    relay = lab_net.host("relay", two, "10.77.1.11/24", hardware="02:00:5e:77:00:11")
    assert relay.hardware() == "02:00:5e:77:00:11"
    server = relay.python("import http.server, sys; http.server.test(port=8080, bind='10.77.1.11')")
    connect = "import socket, sys; socket.create_connection((sys.argv[1], int(sys.argv[2])), 1).close()"

    def reached(host: str) -> bool:
        return laptop.run("python3", "-c", connect, host, "8080", check=False).returncode == 0

    wait_for(lambda: reached("10.77.1.11"), f"a connection through two switches\n{relay.output()}")
    assert server.poll() is None
    assert not reached("10.77.1.12")
    relay.ip("link", "set", "eth0", "down")
    assert not reached("10.77.1.11")


def test_a_ring_with_spanning_tree_blocks_one_port(lab_net, wait_for) -> None:
    """IEEE 802.1D (from memory): in a ring of three bridges exactly one port does not forward."""
    switches = [lab_net.switch(f"sw{n}", stp=True, priority=4096 * n) for n in (1, 2, 3)]
    for one, two in ((0, 1), (1, 2), (2, 0)):
        lab_net.trunk(switches[one], switches[two])

    def states() -> list[str]:
        said = "".join(switch.run("bridge", "link").stdout for switch in switches)
        return [line.split(" state ")[1].split()[0] for line in said.splitlines() if " state " in line]

    wait_for(lambda: sorted(states()) == ["blocking"] + ["forwarding"] * 5, "one blocked port of six")


def test_a_laboratory_leaves_nothing_behind(lab_net) -> None:
    space = lab_net.space("gone")
    daemon = space.start("sleep", "600")
    lab_net.remove()
    assert daemon.poll() is not None
    listed = subprocess.run(("ip", "netns", "list"), check=True, capture_output=True, text=True).stdout
    assert space.name not in listed
