"""The network of a map: how switches are asked, their ports, and the links that should be there.

All of it is optional: what the map does not name is shown as found and judged by nothing but the standards.
Secrets never stand here: ``snmp.secret`` names an entry of the environment or the keyring
(``collect.survey.snmp_secret`` finds it).
"""

from __future__ import annotations

from typing import Annotated, Literal, NamedTuple

from pydantic import Field, StringConstraints, model_validator

from probe.model.map_words import HostName, Line, Strict, Tag
from probe.model.shape import refuse

Duplex = Literal["full", "half"]
Speed = Annotated[int, Field(ge=1, le=400_000)]


class SnmpAccess(Strict):
    """How an agent is asked. Version 3 needs a user; version 2c has nothing but a community name."""

    version: Annotated[Literal["2c", "3"], Field(description='Version of SNMP, in quotes: "3".')] = "2c"
    host: Annotated[
        HostName | None, Field(description="Address of the agent, if it is not the device's own.")
    ] = None
    port: Annotated[int, Field(ge=1, le=65_535, description="UDP port.")] = 161
    secret: Annotated[
        str | None,
        StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,39}$"),
        Field(
            description="Name under which the secrets stand in the environment: with PLANT, "
            "BUSWITNESS_SNMP_PLANT_COMMUNITY, ..._AUTH, ..._PRIVACY; without it, BUSWITNESS_SNMP_COMMUNITY.",
            json_schema_extra={"x-allowed": "1 to 40 letters, digits and hyphens"},
        ),
    ] = None
    user: Annotated[Line | None, Field(description="Version 3: name of the user, no secret.")] = None
    auth: Annotated[
        Literal["none", "md5", "sha", "sha224", "sha256", "sha384", "sha512"],
        Field(description="Version 3: how messages are authenticated."),
    ] = "sha256"
    privacy: Annotated[
        Literal["none", "des", "aes128", "aes192", "aes256"],
        Field(description="Version 3: how messages are enciphered."),
    ] = "aes128"

    @model_validator(mode="after")
    def _fits_version(self) -> SnmpAccess:
        if self.version == "3" and self.user is None:
            raise refuse("version 3 needs a user", allowed="user: NAME", at=("user",))
        for name in ("user", "auth", "privacy"):
            if self.version == "2c" and name in self.model_fields_set:
                raise refuse(
                    f"{name} is of version 3", remedy='remove the line, or write version: "3"', at=(name,)
                )
        if self.auth == "none" and self.privacy != "none":
            raise refuse(
                "privacy needs authentication (RFC 3414, from memory)",
                allowed="auth: sha256, or privacy: none",
                at=("privacy",),
            )
        return self


class Port(Strict):
    """One port of a switch as drawn. Its name: what the switch calls it (ifName, ifDescr or ifAlias)."""

    name: Annotated[Line, Field(description="Name of the port, as the switch itself calls it.")]
    used: Annotated[bool, Field(description="no: nothing may be plugged in; the port should be down.")] = True
    speed_mbps: Annotated[Speed | None, Field(description="Speed it should run at, Mbit/s.")] = None
    duplex: Annotated[Duplex | None, Field(description="Duplex it should run at.")] = None


class End(Strict):
    """One end of a link: a tag of the map, and the port there, if it has more than one."""

    tag: Annotated[Tag, Field(description="Tag of the device.")]
    port: Annotated[
        Line | None, Field(description="Port, as the device itself calls it; needed for a switch.")
    ] = None

    @property
    def words(self) -> str:
        """``SW-1 port p3``."""
        return f"{self.tag} port {self.port}" if self.port else self.tag


Redundancy = Literal["none", "stp", "rstp", "mrp-500", "mrp-200", "mrp-30", "mrp-10", "prp", "hsr"]


class Limit(NamedTuple):
    """How long replies may stay out when a link is lost, and where that stands."""

    recovery_ms: float
    source: str


#: What a network with such redundancy may take; the design of a plant may ask for less.
RECOVERY: dict[str, Limit] = {
    "stp": Limit(
        50_000, "IEEE 802.1D spanning tree: max age 20 s and twice the forward delay of 15 s (from memory)"
    ),
    "rstp": Limit(2_000, "rapid spanning tree: about 2 s at worst (common practice, no source)"),
    "mrp-500": Limit(500, "IEC 62439-2, MRP with the 500 ms profile (from memory)"),
    "mrp-200": Limit(200, "IEC 62439-2, MRP with the 200 ms profile (from memory)"),
    "mrp-30": Limit(30, "IEC 62439-2, MRP with the 30 ms profile (from memory)"),
    "mrp-10": Limit(10, "IEC 62439-2, MRP with the 10 ms profile (from memory)"),
    "prp": Limit(0, "IEC 62439-3, PRP: no recovery time (from memory)"),
    "hsr": Limit(0, "IEC 62439-3, HSR: no recovery time (from memory)"),
}


class Link(Strict):
    """A cable between two devices of the map, at least one of them a switch."""

    name: Annotated[Tag, Field(description="Name of the link on the drawings; unique in the map.")]
    ends: Annotated[
        tuple[End, End],
        Field(
            description="Its two ends.",
            examples=[[{"tag": "SW-1", "port": "p1"}, {"tag": "SW-2", "port": "p1"}]],
        ),
    ]
    speed_mbps: Annotated[Speed | None, Field(description="Speed it should run at, Mbit/s.")] = None
    duplex: Annotated[Duplex | None, Field(description="Duplex it should run at.")] = None
    redundancy: Annotated[
        Redundancy,
        Field(description="What takes over when it is lost; the limit of the link-loss test follows."),
    ] = "none"
    recovery_ms: Annotated[
        Annotated[float, Field(ge=0, le=600_000)] | None,
        Field(description="Longest outage when it is lost, milliseconds, if the design asks for one."),
    ] = None
    recovery_source: Annotated[
        Line | None, Field(description="Where recovery_ms stands: document and clause of the design.")
    ] = None

    @model_validator(mode="after")
    def _two_ends(self) -> Link:
        one, two = self.ends
        if one.tag == two.tag:
            raise refuse(f"both ends of link {self.name} are at {one.tag}", allowed="two tags", at=("ends",))
        if (self.recovery_ms is None) != (self.recovery_source is None):
            raise refuse(
                "a limit needs its source, and a source its limit",
                allowed="recovery_ms and recovery_source together, or neither",
                at=("recovery_ms",) if self.recovery_source is None else ("recovery_source",),
            )
        return self

    @property
    def limit(self) -> Limit | None:
        """The longest outage allowed when the link is lost, and its source; None if nothing takes over."""
        if self.recovery_ms is not None:
            return Limit(self.recovery_ms, self.recovery_source or "")
        return RECOVERY.get(self.redundancy)

    def end_at(self, tag: str) -> End | None:
        """The end at this tag, if the link has one there."""
        return next((end for end in self.ends if end.tag == tag), None)

    def far_from(self, tag: str) -> End:
        """The end that is not at this tag."""
        return self.ends[1] if self.ends[0].tag == tag else self.ends[0]
