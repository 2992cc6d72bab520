"""An audit over a cable that is pulled in the middle: row N2 of the fault matrix."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

PROFILE = """\
format: buswitness-profile/1
name: desk-meter
title: Desk meter
kind: meter
addressing: zero_based
area: holding
order: ABCD
limits: {registers: 20, sockets: 1, timeout_s: 1.0, first_timeout_s: 2.0, retries: 1}
proof: [{point: map_proof, equals: 1234}]
freshness: {points: [heartbeat], after_s: 0.5}
points:
  map_proof: {title: Register map proof, address: 0, type: u16, unit: none, quantity: identity}
  heartbeat: {title: Heartbeat, address: 1, type: u16, unit: none, quantity: counter, moves: true}
"""
MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - {tag: PM-1, kind: meter, profile: desk-meter, section: A, address: {host: 10.77.1.11}}
  - {tag: PM-2, kind: meter, profile: desk-meter, section: A, address: {host: 10.77.1.12}}
"""
#: Answers reads of registers 0 and 1 (MODBUS Application Protocol V1.1b3, 6.3) and counts them in a file.
SERVER = """\
import socket, struct, sys
listener = socket.create_server((sys.argv[1], 502)); beats = 0
while True:
    talk, _ = listener.accept()
    while head := talk.recv(7, socket.MSG_WAITALL):
        number, _, length, unit = struct.unpack(">HHHB", head)
        body = talk.recv(length - 1, socket.MSG_WAITALL); beats += 1
        open(sys.argv[2], "w").write(str(beats))
        if body[0] != 3:
            answer = bytes((body[0] | 128, 1))
        else:
            start, count = struct.unpack(">HH", body[1:5])
            values = [1234, beats][start:start + count]
            answer = bytes((3, 2 * count)) + struct.pack(f">{count}H", *values)
        talk.sendall(struct.pack(">HHHB", number, 0, len(answer) + 1, unit) + answer)
"""


def test_a_cable_pulled_in_the_middle(lab_net: Any, wait_for: Callable[..., None], tmp_path: Path) -> None:
    """PM-1 loses its cable while it is polled; PM-2 goes on, what was seen is kept, the record is whole."""
    switch = lab_net.switch("sw")
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    asked = {}
    for number in (1, 2):
        host = lab_net.host(f"pm{number}", switch, f"10.77.1.1{number}/24")
        asked[number] = tmp_path / f"asked-{number}"
        host.python(SERVER, f"10.77.1.1{number}", str(asked[number]))
        wait_for(lambda at=host: ":502" in at.run("ss", "-lnt").stdout, "the meter listens")
    (tmp_path / "types").mkdir()
    (tmp_path / "types" / "desk-meter.yaml").write_text(PROFILE)
    (tmp_path / "map.yaml").write_text(MAP)
    record = tmp_path / "pulled.audit.jsonl"
    words = (
        "audit",
        tmp_path / "map.yaml",
        "--profiles",
        tmp_path / "types",
        "--dwell",
        "5s",
        "--record",
        record,
    )
    process = laptop.python(
        "import sys; from probe.cli.main import main; sys.exit(main(sys.argv[1:]))",
        *map(str, words),
        "--json",
    )
    wait_for(lambda: asked[1].exists() and int(asked[1].read_text() or 0) >= 3, "PM-1 is polled")
    switch.ip("link", "set", "p2", "down")
    code = process.wait(120)
    text = laptop.output()
    assert code == 1, text
    said = json.loads(text[text.index("{\n") : text.rindex("}") + 1])
    verdicts = {(f["check"], f["subject"]): f["verdict"] for f in said["findings"]}
    assert verdicts["reach.answers", "PM-1"] == "pass", "it had answered"
    assert verdicts["reach.loss", "PM-1"] == "fail"
    assert verdicts["reply.complete", "PM-2"] == "pass"
    assert not [k for k, v in verdicts.items() if k[1] == "PM-2" and v == "fail"]
    assert laptop.buswitness("record", "verify", record).returncode == 0
    again = laptop.buswitness("record", "judge", record)
    assert "The same verdicts follow" in again.stdout
