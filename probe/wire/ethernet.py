"""Raw Ethernet: frames in and out of one interface, where the system permits it.

On Linux a packet socket of the standard library; elsewhere scapy (by libpcap on Windows, BPF on macOS),
which is imported here and nowhere else for this. A refusal is a value with the mend, never an exception: much
of a survey works without.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
import struct
import sys
from collections.abc import Callable
from typing import Any, NamedTuple, Protocol

#: Takes a frame, its octets on the wire, and whether it was sent by this computer.
Take = Callable[[bytes, int, bool], None]
#: Told once when the interface does not carry frames any more, with the system's words.
Lost = Callable[[str], None]

_LONGEST = 9216  # a jumbo frame; longer ones are cut
_AT_ONCE = 64  # frames taken in one turn of the event loop, so that a storm does not stop everything else

# Linux, if_packet.h (from memory).
_ALL_PROTOCOLS = 0x0003
_SOL_PACKET = 263
_ADD_MEMBERSHIP, _STATISTICS, _AUXDATA = 1, 6, 8
_PROMISCUOUS = 1
_OUTGOING = 4
_VLAN_VALID = 0x10


class Refusal(NamedTuple):
    """Why frames can be neither heard nor sent, and what would mend it."""

    why: str
    mend: str


class EthernetPort(Protocol):
    """One interface whose frames are heard. means: "raw socket", or "capture library", which cannot tell a
    frame of ours that comes back from one that goes out."""

    means: str

    def listen(self, take: Take, lost: Lost) -> None:
        """Begin to hand over frames; called in the event loop, which then calls ``take``."""
        ...

    def send(self, frame: bytes) -> str:
        """Send a frame; why it could not be sent, empty if it was."""
        ...

    def dropped(self) -> int:
        """Frames since the last call that came but could not be handed over."""
        ...

    def close(self) -> None:
        """Stop; may be called again."""
        ...


def open_ethernet(interface: str) -> EthernetPort | Refusal:
    """The interface ready to listen, or why not."""
    if sys.platform == "linux":
        return _open_linux(interface)
    return open_scapy(interface)


def how_to_grant() -> str:
    """What gives this program the right to hear frames, on this system."""
    if sys.platform == "linux":
        return (
            "run it once with sudo, or give the right to its Python for good: "
            "sudo setcap cap_net_raw+ep $(readlink -f $(which python3))"
        )
    if sys.platform == "darwin":
        return "run it with sudo, or give your user the right to read /dev/bpf*"
    return "install a packet driver with the libpcap interface, then start the terminal as administrator"


def _open_linux(interface: str) -> EthernetPort | Refusal:
    try:
        return _PacketSocket(interface)
    except PermissionError:
        return Refusal("this user may not hear raw frames", how_to_grant())
    except OSError as error:
        return Refusal(
            f"{interface}: {error.strerror or error}", "check the interface's name and that it is up"
        )


class _PacketSocket:
    """An AF_PACKET socket bound to one interface, hearing everything that passes by."""

    means = "raw socket"

    def __init__(self, interface: str) -> None:
        self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        try:
            self._socket.setsockopt(_SOL_PACKET, _AUXDATA, 1)
            self._socket.bind((interface, _ALL_PROTOCOLS))
            request = struct.pack("IHH8s", socket.if_nametoindex(interface), _PROMISCUOUS, 0, b"")
            self._socket.setsockopt(_SOL_PACKET, _ADD_MEMBERSHIP, request)
            self._socket.setblocking(False)
        except BaseException:
            self._socket.close()
            raise
        self._buffer = bytearray(_LONGEST)
        self._loop: asyncio.AbstractEventLoop | None = None

    def listen(self, take: Take, lost: Lost) -> None:
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._socket.fileno(), self._readable, take, lost)

    def _readable(self, take: Take, lost: Lost) -> None:
        for _ in range(_AT_ONCE):
            try:
                many, side, _, sender = self._socket.recvmsg_into([self._buffer], 128, socket.MSG_TRUNC)
            except (BlockingIOError, InterruptedError):
                return
            except OSError as error:
                self._unlisten()
                lost(error.strerror or str(error))
                return
            data, many = _tagged(bytes(self._buffer[: min(many, _LONGEST)]), many, side)
            take(data, many, sender[2] == _OUTGOING)

    def send(self, frame: bytes) -> str:
        try:
            self._socket.send(frame)
        except OSError as error:
            return "" if error.errno == errno.ENOBUFS else error.strerror or str(error)
        return ""

    def dropped(self) -> int:
        try:
            _, drops = struct.unpack("II", self._socket.getsockopt(_SOL_PACKET, _STATISTICS, 8))
        except OSError:
            return 0
        return int(drops)

    def _unlisten(self) -> None:
        if self._loop is not None:
            self._loop.remove_reader(self._socket.fileno())
            self._loop = None

    def close(self) -> None:
        self._unlisten()
        self._socket.close()


def _tagged(data: bytes, many: int, side: list[tuple[int, int, bytes]]) -> tuple[bytes, int]:
    """The frame with the VLAN tag that the system took out of it, and its length then."""
    for level, kind, value in side:
        if (level, kind) == (_SOL_PACKET, _AUXDATA) and len(value) >= 20:
            status, _, _, _, _, tag, protocol = struct.unpack("IIIHHHH", value[:20])
            if status & _VLAN_VALID and len(data) >= 12:
                return data[:12] + struct.pack("!HH", protocol or 0x8100, tag) + data[12:], many + 4
    return data, many


def open_scapy(interface: str) -> EthernetPort | Refusal:
    """The interface by way of scapy, for systems without packet sockets."""
    try:
        return _ScapyPort(interface)
    except ImportError as error:
        return Refusal(f"scapy cannot be loaded ({error})", "reinstall the program")
    except (OSError, RuntimeError, ValueError) as error:  # what scapy raises without driver or right
        return Refusal(f"{interface}: {error}", how_to_grant())


class _ScapyPort:
    """Frames through scapy: a thread of its own listens, the event loop is called from there."""

    means = "capture library"

    def __init__(self, interface: str) -> None:
        from scapy.config import conf

        self._interface = interface
        self._own = ""
        with contextlib.suppress(Exception):  # scapy raises all sorts of things here
            from scapy.arch import get_if_hwaddr

            self._own = str(get_if_hwaddr(interface))
        self._out: Any = conf.L2socket(iface=interface)
        self._sniffer: Any = None

    def listen(self, take: Take, lost: Lost) -> None:
        from scapy.sendrecv import AsyncSniffer

        loop = asyncio.get_running_loop()
        own = bytes.fromhex(self._own.replace(":", "")) if self._own else b"?"

        def heard(packet: Any) -> None:
            data = bytes(packet.original or b"")
            if data:
                with contextlib.suppress(RuntimeError):  # the loop has ended
                    loop.call_soon_threadsafe(take, data[:_LONGEST], len(data), data[6:12] == own)

        self._sniffer = AsyncSniffer(iface=self._interface, store=False, prn=heard, promisc=True)
        self._sniffer.start()

    def send(self, frame: bytes) -> str:
        from scapy.packet import Raw

        try:
            self._out.send(Raw(frame))
        except (OSError, ValueError) as error:
            return str(error)
        return ""

    def dropped(self) -> int:
        return 0

    def close(self) -> None:
        if self._sniffer is not None:
            with contextlib.suppress(Exception):  # it may not have started yet
                self._sniffer.stop(join=False)
            self._sniffer = None
        if self._out is not None:
            self._out.close()
            self._out = None
