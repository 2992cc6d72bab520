"""Adapters: the hardware behind a name, so that one that was unplugged is known when it comes back.

A network adapter is known by its hardware address, a serial one by what its USB tells: vendor, product,
serial number. One without a serial number cannot be told from another of its sort, and is not recognised.
psutil and pyserial ask the system; where that tells nothing, nothing is said.
"""

from __future__ import annotations

import os

#: How it is said that the hardware of a lost adapter is there under another name.
MOVED = "its hardware is now"


def interface_hardware(name: str) -> str:
    """The hardware address of a network interface, with colons; empty if the system does not tell."""
    return _interfaces().get(name, "")


def interface_now(hardware: str, former: str) -> str:
    """Under which name the interface of this hardware address is there now; empty for the former one or none.

    Virtual interfaces may share an address with their parent: the shortest name is told.
    """
    names = sorted((name for name, own in _interfaces().items() if own == hardware), key=len)
    return "" if not hardware or former in names or not names else names[0]


def interface_of(address: str) -> str:
    """The interface that has this IP address of ours; empty if none has."""
    import psutil

    try:
        found = psutil.net_if_addrs()
    except OSError:
        return ""
    return next((name for name, entries in found.items() if address in {one.address for one in entries}), "")


def _interfaces() -> dict[str, str]:
    import psutil

    try:
        found = psutil.net_if_addrs()
    except OSError:  # sandboxes hide them
        return {}
    links = {
        name: next((one.address for one in entries if one.family == psutil.AF_LINK), "")
        for name, entries in found.items()
    }
    plain = {name: address.replace("-", ":").lower() for name, address in links.items()}
    return {name: address for name, address in plain.items() if address.strip("0:")}


def serial_hardware(port: str) -> str:
    """What the USB adapter at a serial port is, as ``USB 0403:6001 A10KX3``; empty if that is not known."""
    return _serial_ports().get(_real(port), "")


def serial_now(hardware: str, former: str) -> str:
    """Under which name the serial adapter is there now; empty for the former one or none."""
    ports = [port for port, own in _serial_ports().items() if own == hardware]
    return "" if not hardware or _real(former) in ports or not ports else ports[0]


def _real(port: str) -> str:
    """The port itself where the name is a link (``/dev/serial/by-id/...``)."""
    return os.path.realpath(port) if port.startswith("/") else port


def _serial_ports() -> dict[str, str]:
    from serial.tools import list_ports

    try:
        found = list(list_ports.comports())
    except OSError:
        return {}
    return {
        _real(one.device): f"USB {one.vid:04x}:{one.pid:04x} {one.serial_number}"
        for one in found
        if one.vid is not None and one.pid is not None and one.serial_number
    }
