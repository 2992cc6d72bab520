"""Adapters that vanish and come back under another name, by what psutil and pyserial tell."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import psutil
import pytest
from serial.tools import list_ports

from probe.collect.adapter_watch import AdapterWatch
from probe.model.evidence import Connect, ConnectOutcome
from probe.wire import adapters

MAC, OTHER = "02:00:5e:10:00:01", "02:00:5e:10:00:02"
Tell = Callable[..., None]


@pytest.fixture
def computer(monkeypatch: pytest.MonkeyPatch) -> Tell:
    """Says which interfaces (name to hardware and IP address) and serial ports there are."""

    def tell(interfaces: dict[str, tuple[str, str]], ports: dict[str, tuple[Any, ...]] | None = None) -> None:
        found = {
            name: [
                SimpleNamespace(family=psutil.AF_LINK, address=mac.upper().replace(":", "-")),
                SimpleNamespace(family=2, address=address),
            ]
            for name, (mac, address) in interfaces.items()
        }
        listed = [
            SimpleNamespace(device=port, vid=vid, pid=pid, serial_number=number)
            for port, (vid, pid, number) in (ports or {}).items()
        ]
        monkeypatch.setattr(psutil, "net_if_addrs", lambda: found)
        monkeypatch.setattr(list_ports, "comports", lambda: listed)

    return tell


def test_an_interface_is_known_by_its_hardware_address(computer: Tell) -> None:
    computer({"eth1": (MAC, "10.20.1.9"), "lo": ("00:00:00:00:00:00", "127.0.0.1")})
    assert adapters.interface_hardware("eth1") == MAC
    assert adapters.interface_of("10.20.1.9") == "eth1"
    assert adapters.interface_hardware("lo") == ""
    assert adapters.interface_now(MAC, "eth1") == "", "it is where it was"
    computer({"enx02005e100001": (MAC, ""), "eth0": (OTHER, "")})
    assert adapters.interface_now(MAC, "eth1") == "enx02005e100001"
    assert adapters.interface_now("", "eth1") == ""
    computer({"eth0": (OTHER, "")})
    assert adapters.interface_now(MAC, "eth1") == ""


def test_a_serial_adapter_is_known_by_its_usb_serial_number(computer: Tell) -> None:
    computer(
        {}, {"COM3": (0x0403, 0x6001, "A10KX3"), "COM1": (None, None, None), "COM4": (0x1A86, 0x7523, None)}
    )
    assert adapters.serial_hardware("COM3") == "USB 0403:6001 A10KX3"
    assert adapters.serial_hardware("COM4") == "", "all of its sort look alike"
    assert adapters.serial_hardware("COM1") == ""
    assert adapters.serial_now("USB 0403:6001 A10KX3", "COM3") == ""
    computer({}, {"COM7": (0x0403, 0x6001, "A10KX3")})
    assert adapters.serial_now("USB 0403:6001 A10KX3", "COM3") == "COM7"


def connect(outcome: ConnectOutcome, at_s: int = 0, *, local: str = "", detail: str = "") -> Connect:
    return Connect("10.20.1.11:502", at_s * 10**9, at_s * 10**9, outcome, detail, local)


@pytest.mark.parametrize(
    ("after", "said"),
    [
        (
            {"eth7": (MAC, "")},
            f"eth1 ({MAC}) is gone from this computer; its hardware is now eth7: give that one",
        ),
        ({"eth0": (OTHER, "")}, f"eth1 ({MAC}) is gone from this computer; it is nowhere else"),
        ({"eth1": (MAC, "10.20.1.9")}, ""),
    ],
)
def test_a_run_says_once_that_its_adapter_is_gone(computer: Tell, after: Any, said: str) -> None:
    notes: list[str] = []
    watch = AdapterWatch(lambda _, text: notes.append(text))
    computer({"eth1": (MAC, "10.20.1.9"), "lo": ("00:00:00:00:00:00", "127.0.0.1")})
    watch.see(connect(ConnectOutcome.OPEN, local="10.20.1.9:40000"))
    watch.see(connect(ConnectOutcome.OPEN, local="127.0.0.1:40001"))
    computer(after)
    for at_s in (5, 6, 9):
        watch.see(connect(ConnectOutcome.NO_ROUTE, at_s))
    assert len(notes) == bool(said)
    assert all(text.startswith(said) for text in notes)


def test_a_serial_port_that_moved_is_told_once() -> None:
    notes: list[str] = []
    watch = AdapterWatch(lambda _, text: notes.append(text))
    watch.see(connect(ConnectOutcome.NO_PORT, detail="No such file or directory"))
    for _ in range(2):
        watch.see(connect(ConnectOutcome.NO_PORT, detail=f"No such file; {adapters.MOVED} /dev/ttyUSB1"))
    assert len(notes) == 1
    assert "/dev/ttyUSB1" in notes[0]
