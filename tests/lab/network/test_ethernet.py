"""Raw Ethernet on both ways in: the packet socket, and scapy as other systems use it."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = str(Path(__file__).resolve().parents[3])
#: Asks who has 10.77.1.11, hears for as long as the answer and its own question take, prints what it heard.
PROGRAM = """
import asyncio, json, sys
from probe.model.frames import arp
from probe.wire import ethernet

async def main(way):
    port = getattr(ethernet, way)("eth0")
    heard = []
    port.listen(lambda data, length, outgoing: heard.append([data.hex(), length, outgoing]), print)
    await asyncio.sleep(1.0)
    for _ in range(60):
        trouble = port.send(arp.request(sys.argv[2], "10.77.1.9", "10.77.1.11"))
        await asyncio.sleep(0.2)
        if any(not one[2] for one in heard):
            break
    print(json.dumps({"trouble": trouble, "means": port.means, "dropped": port.dropped(), "heard": heard}))
    port.close()
    port.close()

asyncio.run(main(sys.argv[1]))
"""


@pytest.mark.parametrize(
    ("way", "means"), [("open_ethernet", "raw socket"), ("open_scapy", "capture library")]
)
def test_asks_and_hears(lab_net: Any, way: str, means: str) -> None:
    """RFC 826: the owner of the address answers the one who asked, with operation 2."""
    switch = lab_net.switch("sw")
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24", hardware="02:00:5e:77:00:09")
    lab_net.host("relay", switch, "10.77.1.11/24", hardware="02:00:5e:77:00:11")
    done = laptop.run(sys.executable, "-c", PROGRAM, way, "02:00:5e:77:00:09", PYTHONPATH=ROOT)
    found = json.loads(done.stdout.splitlines()[-1])
    assert (found["trouble"], found["means"], found["dropped"]) == ("", means, 0)
    answers = [bytes.fromhex(data) for data, _, outgoing in found["heard"] if not outgoing]
    (answer, *_) = [one for one in answers if one[12:14] == b"\x08\x06"]
    assert answer[:12] == bytes.fromhex("02005e77000902005e770011")
    assert answer[20:22] == b"\0\2"
    assert answer[28:32] == bytes((10, 77, 1, 11))


def test_tags_that_the_system_took_out_are_back(lab_net: Any) -> None:
    """IEEE 802.1Q (from memory): tag 81 00, then 3 bits of priority, 1 bit, 12 bits of identifier."""
    switch = lab_net.switch("sw")
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    relay = lab_net.host("relay", switch, "10.77.1.11/24", hardware="02:00:5e:77:00:11")
    speaker = (
        "import socket, time\nport = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)\n"
        "port.bind(('eth0', 0))\n"
        "frame = bytes.fromhex('ffffffffffff02005e77001181000007' + '88b8' + '00' * 46)\n"
        "for _ in range(300):\n    port.send(frame)\n    time.sleep(0.1)\n"
    )
    relay.python(speaker)
    listener = (
        "import asyncio\nfrom probe.wire import ethernet\n"
        "async def main():\n    got = asyncio.get_running_loop().create_future()\n"
        "    port = ethernet.open_ethernet('eth0')\n"
        "    def take(data, length, out):\n"
        "        if data[12:14] == b'\\x81\\x00' and not got.done():\n            got.set_result(data)\n"
        "    port.listen(take, print)\n    print((await asyncio.wait_for(got, 50)).hex())\n    port.close()\n"
        "asyncio.run(main())\n"
    )
    frame = bytes.fromhex(laptop.run(sys.executable, "-c", listener, PYTHONPATH=ROOT).stdout.strip())
    assert int.from_bytes(frame[14:16]) & 0x0FFF == 7
    assert frame[16:18] == b"\x88\xb8"


def test_refusals_are_values_with_a_mend() -> None:
    from probe.wire.ethernet import Refusal, open_ethernet

    if sys.platform != "linux":
        pytest.skip("the refusal for a name that does not exist is Linux's")
    found = open_ethernet("nowhere0")
    assert isinstance(found, Refusal)
    assert found.mend
