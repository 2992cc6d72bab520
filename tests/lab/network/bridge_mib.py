"""BRIDGE-MIB of the kernel's bridge ``br0``, told to snmpd by its ``pass_persist`` directive.

What it tells is the kernel's own: port states, root, timers and forwarding table from sysfs. Topology
changes, which the kernel counts nowhere, are counted here as changes of port states between two questions.
Standard library only: snmpd runs it with the system's Python.

Source of identifiers: RFC 4188 (BRIDGE-MIB). Of the protocol: manual page snmpd.conf, ``pass_persist``.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

BRIDGE = Path("/sys/class/net/br0")
BASE = (1, 3, 6, 1, 2, 1, 17)
#: Kernel's port states (disabled, listening, learning, forwarding, blocking) to those of the MIB.
STATES = {0: 1, 1: 3, 2: 4, 3: 5, 4: 2}


class Changes:
    """Counts changes of port states."""

    def __init__(self) -> None:
        self.count, self.since, self.last = 0, time.monotonic(), {}

    def look(self, states: dict[int, int]) -> None:
        if self.last and states != self.last:
            self.count, self.since = self.count + 1, time.monotonic()
        self.last = states


def number(name: str) -> int:
    return int((BRIDGE / "bridge" / name).read_text().strip(), 0)


def bridge_id(text: str) -> str:
    priority, address = text.strip().split(".")
    return f"{priority:0>4}{address:0>12}"


def octets(digits: str) -> tuple[str, str]:
    return "octet", " ".join(digits[i : i + 2] for i in range(0, len(digits), 2))


def table(changes: Changes) -> dict[tuple[int, ...], tuple[str, str]]:
    """All variables, by identifier."""
    told: dict[tuple[int, ...], tuple[str, str]] = {}
    bridge = BRIDGE / "bridge"
    own = bridge_id((bridge / "bridge_id").read_text())
    told[1, 1, 0] = octets(own[4:])
    states = {}
    for port in sorted((BRIDGE / "brif").iterdir()):
        index = int((port / "port_no").read_text().strip(), 16)
        states[index] = STATES[int((port / "state").read_text())]
        ifindex = int((Path("/sys/class/net") / port.name / "ifindex").read_text())
        told[1, 4, 1, 2, index] = ("integer", str(ifindex))
        told[2, 15, 1, 3, index] = ("integer", str(states[index]))
        told[2, 15, 1, 8, index] = octets(bridge_id((port / "designated_bridge").read_text()))
    changes.look(states)
    if number("stp_state"):
        told[2, 1, 0] = ("integer", "3")
        told[2, 3, 0] = ("timeticks", str(int(100 * (time.monotonic() - changes.since))))
        told[2, 4, 0] = ("counter", str(changes.count))
        told[2, 5, 0] = octets(bridge_id((bridge / "root_id").read_text()))
        told[2, 6, 0] = ("integer", str(number("root_path_cost")))
        told[2, 7, 0] = ("integer", str(number("root_port")))
        for name, part in (("max_age", 8), ("hello_time", 9), ("forward_delay", 11)):
            told[2, part, 0] = ("integer", str(number(name)))
    table = (BRIDGE / "brforward").read_bytes()
    for entry in (table[i : i + 16] for i in range(0, len(table) - 15, 16)):
        told[(4, 3, 1, 2, *entry[:6])] = ("integer", str(entry[6]))
    return {(*BASE, *oid): value for oid, value in told.items()}


def say(*lines: str) -> None:
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    sys.stdout.flush()


def main() -> None:
    changes = Changes()
    while line := sys.stdin.readline():
        command = line.strip()
        if command == "PING":
            say("PONG")
            continue
        oid = tuple(int(part) for part in sys.stdin.readline().strip().strip(".").split("."))
        told = table(changes)
        if command == "getnext":
            oid = min((one for one in told if one > oid), default=())
        if oid in told:
            say("." + ".".join(map(str, oid)), *told[oid])
        else:
            say("NONE")


if __name__ == "__main__":
    main()
