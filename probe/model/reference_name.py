"""What a map calls a reference clock: the laptop, a device of the map, an NTP server.

laptop      tag:MC-1      ntp:10.20.1.1      ntp:time.example:1123      ntp:[2001:db8::1]:1123
"""

from __future__ import annotations

import ipaddress
import re
from typing import NamedTuple

NTP_PORT = 123  # RFC 5905, 7.2 (port number)
#: What a map may say.
PATTERN = (
    r"^(laptop|tag:\S+|ntp:(\[[0-9A-Fa-f:.]+\](:\d{1,5})?|[0-9A-Fa-f:]*:[0-9A-Fa-f:.]+"
    r"|[A-Za-z0-9._-]+(:\d{1,5})?))$"
)
_PLACE = re.compile(r"\[?(?P<host>.*?)\]?(?::(?P<port>\d{1,5}))?")


class ReferenceName(NamedTuple):
    """kind: laptop, tag or ntp. place: tag or host, empty for the laptop. port: of an NTP server, else 0."""

    kind: str
    place: str = ""
    port: int = 0

    @property
    def source(self) -> str:
        """What stands in the evidence of an NTP server or the laptop as ``ReferenceSample.source``."""
        if self.kind != "ntp":
            return self.kind
        if self.port == NTP_PORT:
            return f"ntp {self.place}"
        host = f"[{self.place}]" if ":" in self.place else self.place
        return f"ntp {host}:{self.port}"


def reference_name(text: str) -> ReferenceName:
    """The parts of a name that fits ``PATTERN``."""
    kind, _, place = text.partition(":")
    if kind != "ntp":
        return ReferenceName(kind, place)
    if is_address(place):
        return ReferenceName(kind, place, NTP_PORT)
    match = _PLACE.fullmatch(place)
    port = match and match["port"]
    return ReferenceName(kind, match["host"] if match else place, int(port) if port else NTP_PORT)


def is_address(text: str) -> bool:
    """True for a bare IP address; one of version 6 has colons of its own."""
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True
