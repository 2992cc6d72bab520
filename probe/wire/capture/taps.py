"""Taps: frames of one interface with the system's own time stamps.

On Linux a packet socket of the standard library: the system stamps each frame when it comes, counts what it
had to drop, and gives back the VLAN tag that the network card took out. Elsewhere scapy, imported here.
"""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import sys
from typing import Any, NamedTuple, Protocol

from probe.model.clock import RunClock
from probe.wire.capture.pcapng import ETHERNET, RAW_IP
from probe.wire.ethernet import Refusal, how_to_grant

#: Longest frame that is kept whole.
LONGEST = 65_535
_AT_ONCE = 512
#: What waits in the system while this program writes.
_BUFFER = 32 << 20

# Linux, if_packet.h and socket.h (from memory).
_ALL_PROTOCOLS = 0x0003
_SOL_PACKET = 263
_ADD_MEMBERSHIP, _STATISTICS, _AUXDATA = 1, 6, 8
_PROMISCUOUS = 1
_OUTGOING = 4
_VLAN_VALID = 0x10
_TIME_STAMP_NS = 35
_BUFFER_FORCE = 33
_ETHERNET_LIKE = (1, 772)  # Ethernet, loopback
_AUX = struct.Struct("IIIHHHH")
_STAMP = struct.Struct("qq")


class Taken(NamedTuple):
    """One frame. wire: its length on the wire."""

    wall_ns: int
    data: bytes
    wire: int


class TapLostError(Exception):
    """The interface does not carry frames any more; says why."""


class Tap(Protocol):
    """An interface that is being recorded. link: how its frames begin (a pcap link type)."""

    link: int

    def take(self, wait_s: float) -> list[Taken]:
        """Frames that have come, none if none came in time. Raises TapLostError."""
        ...

    def dropped(self) -> int:
        """Frames that the system could not keep, since the last call."""
        ...

    def close(self) -> None:
        """Stop; may be called again."""
        ...


def open_tap(interface: str, clock: RunClock) -> Tap | Refusal:
    """The interface ready to be recorded, or why not. clock: dates frames that the system does not date."""
    if sys.platform == "linux":
        return _open_linux(interface, clock)
    return open_scapy_tap(interface, clock)


def _open_linux(interface: str, clock: RunClock) -> Tap | Refusal:
    try:
        return LinuxTap(interface, clock)
    except PermissionError:
        return Refusal("this user may not record frames", how_to_grant())
    except OSError as error:
        return Refusal(f"{interface}: {error.strerror or error}", "check its name, and that it is up")


class LinuxTap:
    """A packet socket bound to one interface, hearing everything that passes by."""

    def __init__(self, interface: str, clock: RunClock) -> None:
        self._clock = clock
        self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        try:
            self._set_up(interface)
        except BaseException:
            self._socket.close()
            raise
        self._poll = select.poll()
        self._poll.register(self._socket, select.POLLIN)
        self._buffer = bytearray(LONGEST + 1)
        self._loops = interface_is_loopback(self._socket)

    def _set_up(self, interface: str) -> None:
        sock = self._socket
        sock.setsockopt(_SOL_PACKET, _AUXDATA, 1)
        sock.setsockopt(socket.SOL_SOCKET, _TIME_STAMP_NS, 1)
        try:
            sock.setsockopt(socket.SOL_SOCKET, _BUFFER_FORCE, _BUFFER)
        except OSError:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER)
        index = socket.if_nametoindex(interface)
        sock.bind((interface, _ALL_PROTOCOLS))
        sock.setsockopt(_SOL_PACKET, _ADD_MEMBERSHIP, struct.pack("IHH8s", index, _PROMISCUOUS, 0, b""))
        sock.setblocking(False)
        self.link = ETHERNET if sock.getsockname()[3] in _ETHERNET_LIKE else RAW_IP

    def take(self, wait_s: float) -> list[Taken]:
        if not self._poll.poll(wait_s * 1000):
            return []
        found: list[Taken] = []
        for _ in range(_AT_ONCE):
            try:
                many, side, _, sender = self._socket.recvmsg_into([self._buffer], 256, socket.MSG_TRUNC)
            except (BlockingIOError, InterruptedError):
                break
            except OSError as error:
                if found:
                    break  # what came before is kept; the next call tells
                raise TapLostError(error.strerror or str(error)) from error
            if self._loops and sender[2] == _OUTGOING:
                continue  # on the loopback interface each frame passes twice
            taken = _taken(bytes(self._buffer[: min(many, LONGEST)]), many, side)
            found.append(taken if taken.wall_ns else taken._replace(wall_ns=self._clock.wall_ns()))
        return found

    def dropped(self) -> int:
        try:
            _, drops = struct.unpack("II", self._socket.getsockopt(_SOL_PACKET, _STATISTICS, 8))
        except OSError:
            return 0
        return int(drops)

    def close(self) -> None:
        self._socket.close()


def interface_is_loopback(sock: socket.socket) -> bool:
    """True for a packet socket that is bound to the loopback interface."""
    return bool(sock.getsockname()[3] == _ETHERNET_LIKE[1])


def _taken(data: bytes, wire: int, side: list[tuple[int, int, bytes]]) -> Taken:
    """The frame with its stamp (0 without one), and with the VLAN tag that the system took out of it."""
    wall_ns = 0
    for level, kind, value in side:
        if level == socket.SOL_SOCKET and kind == _TIME_STAMP_NS and len(value) >= _STAMP.size:
            seconds, rest = _STAMP.unpack_from(value)
            wall_ns = seconds * 1_000_000_000 + rest
        elif (level, kind) == (_SOL_PACKET, _AUXDATA) and len(value) >= _AUX.size:
            status, _, _, _, _, tag, protocol = _AUX.unpack_from(value)
            if status & _VLAN_VALID and len(data) >= 12:
                data = data[:12] + struct.pack("!HH", protocol or 0x8100, tag) + data[12:]
                wire += 4
    return Taken(wall_ns, data, wire)


def open_scapy_tap(interface: str, clock: RunClock) -> Tap | Refusal:
    """The interface by way of scapy, for systems without packet sockets."""
    try:
        return ScapyTap(interface, clock)
    except ImportError as error:
        return Refusal(f"scapy cannot be loaded ({error})", "reinstall the program")
    except PermissionError:
        return Refusal("this user may not record frames", how_to_grant())
    except (OSError, RuntimeError, ValueError) as error:  # what scapy raises without driver, right or name
        return Refusal(f"{interface}: {error}", how_to_grant())


class ScapyTap:
    """Frames through scapy's own listening socket: libpcap on Windows, BPF on macOS."""

    def __init__(self, interface: str, clock: RunClock) -> None:
        import scapy.arch
        import scapy.layers.l2  # noqa: F401 (tells the kind of link)
        from scapy.config import conf

        self._clock = clock
        self._socket: Any = conf.L2listen(iface=interface, promisc=True)
        self.link = RAW_IP if "IP" in str(getattr(self._socket, "LL", "")) else ETHERNET

    def take(self, wait_s: float) -> list[Taken]:
        found: list[Taken] = []
        try:
            if not self._socket.select([self._socket], wait_s):
                return found
            while len(found) < _AT_ONCE:
                _, data, stamp = self._socket.recv_raw(LONGEST)
                if data is None:
                    break
                wall_ns = round(float(stamp) * 1e9) if stamp else self._clock.wall_ns()
                found.append(Taken(wall_ns, bytes(data), len(data)))
                if not self._socket.select([self._socket], 0):
                    break
        except OSError as error:
            if not found:
                raise TapLostError(error.strerror or str(error)) from error
        return found

    def dropped(self) -> int:
        return 0

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()
