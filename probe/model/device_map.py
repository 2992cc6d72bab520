"""Device map: what should be there. The data and the rules that one entry alone must keep.

Rules across entries (duplicates, subnets, unknown tags, names too alike) are in ``map_lint``; reading YAML
with positions is in ``document``; turning text into a map is in ``map_load``.

Field names are the YAML keys. Units stand in the names.
"""

from __future__ import annotations

import ipaddress
import re
from enum import StrEnum
from functools import cached_property
from typing import Annotated, Literal, NamedTuple

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    field_validator,
    model_validator,
)
from pydantic.config import JsonDict

from probe.model.evidence import Framing
from probe.model.reference_name import PATTERN, ReferenceName, is_address, reference_name
from probe.model.shape import refuse

MAP_FORMAT = "buswitness-map/1"

# Nothing that moves a cursor or turns the direction of reading: C0, C1, DEL, Unicode's own line ends and
# direction marks.
_NO_CONTROLS = r"^[^\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]*$"

Tag = Annotated[
    str,
    StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._/+-]{0,39}$"),
    Field(
        json_schema_extra={
            "x-allowed": "1 to 40 letters, digits and . _ / + - (no spaces), beginning with a letter or digit"
        }
    ),
]
Line = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200, pattern=_NO_CONTROLS),
    Field(json_schema_extra={"x-allowed": "one line of text, at most 200 characters"}),
]
HostName = Annotated[
    str,
    StringConstraints(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9.:_-]+$"),
    Field(json_schema_extra={"x-allowed": "an IP address such as 10.20.1.11, or a host name"}),
]
Amperes = Annotated[float, Field(gt=0)]
Volts = Annotated[float, Field(gt=0)]
FaultCurrent = Annotated[float, Field(gt=0, le=400)]


class Strict(BaseModel):
    """Base of all that people write: unknown keys are errors, objects do not change."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Kind(StrEnum):
    """What sort of device a tag is."""

    TRIP_UNIT = "trip-unit"
    METER = "meter"
    GATEWAY = "gateway"
    SWITCH = "switch"
    UPS = "ups"
    MASTER = "master"
    OTHER = "other"


class SerialLine(Strict):
    """A serial port of this computer (an RS-485 adapter)."""

    port: Annotated[Line, Field(description="Name of the serial port, as /dev/ttyUSB0 or COM3.")]
    baud: Annotated[int, Field(ge=300, le=1_000_000, description="Bits a second.")] = 19_200
    parity: Annotated[Literal["even", "odd", "none"], Field(description="Parity bit.")] = "even"
    stop_bits: Annotated[int, Field(ge=1, le=2, description="Stop bits.")] = 1


_ONE_WAY: JsonDict = {"oneOf": [{"required": ["host"]}, {"required": ["via"]}, {"required": ["serial"]}]}


class Address(Strict):
    """Where a device answers: exactly one of host, via and serial.

    via: tag of the gateway behind which the device sits; host, port and framing are the gateway's.
    unit: 255 is what a Modbus TCP server at its own address expects (Messaging Guide V1.0b, 4.4.1.2).
    """

    model_config = ConfigDict(json_schema_extra=_ONE_WAY)

    host: Annotated[HostName | None, Field(description="IP address or host name of the device.")] = None
    port: Annotated[int, Field(ge=1, le=65_535, description="TCP port.")] = 502
    unit: Annotated[
        int,
        Field(
            ge=0,
            le=255,
            description="Unit number: 1 to 247 on a serial line or behind a gateway, "
            "255 for a device at its own IP address.",
        ),
    ] = 255
    framing: Annotated[
        Framing, Field(description="mbap is Modbus TCP; rtu is serial frames carried in TCP.")
    ] = Framing.MBAP
    via: Annotated[Tag | None, Field(description="Tag of the gateway behind which the device sits.")] = None
    serial: Annotated[
        SerialLine | None, Field(description="A serial port of this computer, instead of host or via.")
    ] = None

    @model_validator(mode="after")
    def _one_way(self) -> Address:
        given = [name for name in ("host", "via", "serial") if getattr(self, name) is not None]
        if len(given) != 1:
            has = " and ".join(given) or "none"
            raise refuse(
                f"an address needs exactly one of host, via, serial; it has {has}",
                allowed="host of the device, or via: TAG of its gateway, or a serial port",
            )
        for name in ("port", "framing"):
            if self.host is None and name in self.model_fields_set:
                where = "the gateway's" if self.via else "for a device with a host"
                raise refuse(f"{name} is {where}, not for this device", remedy="remove the line", at=(name,))
        if self.host is None and not 1 <= self.unit <= 247:
            given_unit = "unit" in self.model_fields_set
            raise refuse(
                f"unit {self.unit} is no serial unit" if given_unit else "unit is missing",
                allowed="a whole number from 1 to 247, for a device behind a gateway or on a serial line",
                remedy="" if given_unit else "add `unit: NUMBER` to the address",
                at=("unit",),
            )
        return self


_CONDITION = re.compile(r"\s*(>=|<=|==|!=|>|<|=)\s*[^\s<>=!]*\d[^\s<>=!]*\s*")


class ExpectedIdentity(Strict):
    """Who the device should say it is. Fields left out are not compared."""

    maker: Annotated[Line | None, Field(description="Maker, as the device itself tells it.")] = None
    model: Annotated[Line | None, Field(description="Model or type, as the device itself tells it.")] = None
    serial: Annotated[Line | None, Field(description="Serial number.")] = None
    firmware: Annotated[
        Line | None,
        Field(
            description="One version (2.4.1) or a range (>=2.4, <3), compared part by part as numbers.",
            examples=["2.4.1", ">=2.4, <3"],
            json_schema_extra={"x-allowed": "one version, as 2.4.1, or a range, as >=2.4, <3"},
        ),
    ] = None

    @field_validator("firmware")
    @classmethod
    def _firmware(cls, text: str | None) -> str | None:
        """A version, or conditions joined by commas; a range without commas would never be compared."""
        if text is None or not re.search("[<>=!]", text):
            return text
        if all(_CONDITION.fullmatch(part) for part in text.split(",")):
            return text
        raise refuse(
            "firmware is neither a version nor a range",
            allowed="one version, as 2.4.1, or a range, as >=2.4, <3 (a comma between conditions)",
        )


class ExpectedState(Strict):
    """How the gear should stand while it is audited. Fields left out are not judged."""

    position: Annotated[
        Literal["connected", "test", "withdrawn"] | None,
        Field(description="Where a drawout breaker should be racked."),
    ] = None
    breaker: Annotated[
        Literal["open", "closed", "tripped"] | None, Field(description="How the breaker should stand.")
    ] = None
    energized: Annotated[bool | None, Field(description="Whether voltage should be present.")] = None
    maintenance: Annotated[
        Literal["on", "off"] | None,
        Field(description="Whether the energy-reducing maintenance switch should be on."),
    ] = None


class Ratings(Strict):
    """Ratings from the drawings, amperes and volts."""

    frame_a: Annotated[Amperes | None, Field(description="Frame of the breaker, amperes.")] = None
    sensor_a: Annotated[Amperes | None, Field(description="Sensor of the trip unit, amperes.")] = None
    plug_a: Annotated[Amperes | None, Field(description="Rating plug, amperes.")] = None
    ct_primary_a: Annotated[Amperes | None, Field(description="Current transformer, primary amperes.")] = None
    ct_secondary_a: Annotated[
        Amperes | None, Field(description="Current transformer, secondary amperes.")
    ] = None
    vt_primary_v: Annotated[Volts | None, Field(description="Voltage transformer, primary volts.")] = None
    vt_secondary_v: Annotated[Volts | None, Field(description="Voltage transformer, secondary volts.")] = None


class Target(NamedTuple):
    """A device's address with the gateway resolved: one link (a socket or a serial port) and a unit."""

    host: str  # empty for a serial line
    port: int
    unit: int
    framing: Framing
    serial: SerialLine | None
    gateway: str  # tag of the gateway, empty when direct

    @property
    def link(self) -> str:
        """Name of the link: devices with the same link share one socket."""
        if self.serial is not None:
            return self.serial.port
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


class Device(Strict):
    """One device as drawn."""

    tag: Annotated[Tag, Field(description="Name of the device on the drawings; unique in the lineup.")]
    kind: Annotated[Kind, Field(description="What sort of device it is.")]
    profile: Annotated[
        Line, Field(description="How this type of device speaks; `buswitness profile list` shows them.")
    ]
    section: Annotated[Line, Field(description="Section of the lineup in which it sits.")]
    address: Annotated[Address, Field(description="Where it answers.")]
    cubicle: Annotated[Line | None, Field(description="Cubicle or compartment within the section.")] = None
    description: Annotated[Line | None, Field(description="What it feeds or measures.")] = None
    hardware_address: Annotated[
        str | None,
        Field(
            description="Its Ethernet hardware address, if known.",
            examples=["02:00:5e:10:00:01"],
            json_schema_extra={"x-allowed": "twelve hexadecimal digits, as 02:00:5e:10:00:01"},
        ),
    ] = None
    fed_from: Annotated[
        Tag | None, Field(description="Tag of the breaker that feeds it; none for a main.")
    ] = None
    measures: Annotated[
        Tag | None,
        Field(
            description="Tag of the breaker whose circuit this instrument measures. Without it, a meter that "
            "is the only one fed from a breaker is taken to measure that breaker's circuit."
        ),
    ] = None
    joins: Annotated[
        tuple[Tag, ...],
        Field(
            description="For a tie: tags of the mains whose buses it joins when closed. Without it, the one "
            "breaker that neither feeds nor is fed is taken for the tie between two mains.",
            examples=[["52-M1", "52-M2"]],
        ),
    ] = ()
    identity: Annotated[ExpectedIdentity, Field(description="Who it should say it is.")] = ExpectedIdentity()
    state: Annotated[ExpectedState, Field(description="How it should stand while audited.")] = ExpectedState()
    ratings: Annotated[Ratings, Field(description="Ratings from the drawings.")] = Ratings()
    study: Annotated[
        Line | None,
        Field(
            description="File with its settings after the study, relative to the map; goes before the study "
            "of the whole lineup."
        ),
    ] = None
    fault_current_ka: Annotated[
        FaultCurrent | None,
        Field(
            description="Available fault current where this breaker feeds, kiloamperes, if it is not that of "
            "the main bus."
        ),
    ] = None
    register_shift: Annotated[
        int,
        Field(
            ge=-65_535,
            le=65_535,
            description="Added to every register address of the profile, for a gateway that moves them.",
        ),
    ] = 0
    required: Annotated[
        bool, Field(description="yes: the audit is incomplete if this device could not be tested.")
    ] = True

    @field_validator("hardware_address")
    @classmethod
    def _hardware_address(cls, text: str | None) -> str | None:
        """Twelve hexadecimal digits in any usual grouping, kept as lower-case pairs with colons."""
        if text is None:
            return None
        digits = re.sub(r"[:.\- ]", "", text).lower()
        if not re.fullmatch(r"[0-9a-f]{12}", digits):
            raise refuse(
                "hardware_address has not twelve hexadecimal digits",
                allowed="twelve hexadecimal digits, as 02:00:5e:10:00:01",
            )
        return ":".join(digits[i : i + 2] for i in range(0, 12, 2))


class Network(Strict):
    """One IP subnet of the lineup."""

    name: Annotated[Line, Field(description="Name of the network.")]
    subnet: Annotated[
        ipaddress.IPv4Network | ipaddress.IPv6Network,
        Field(description="The subnet with its prefix length.", examples=["10.20.1.0/24"]),
    ]
    router: Annotated[
        ipaddress.IPv4Address | ipaddress.IPv6Address | None,
        Field(description="Address of its router, if it has one."),
    ] = None
    requests_per_second: Annotated[
        Annotated[float, Field(gt=0, le=100_000)] | None,
        Field(description="Budget for the requests to all its hosts together."),
    ] = None


class System(Strict):
    """The nominal electrical system."""

    voltage_v: Annotated[
        float,
        Field(gt=0, le=1500, description="Nominal voltage, line to line (single: of the phase)."),
    ]
    frequency_hz: Annotated[float, Field(ge=16, le=400, description="Nominal frequency.")]
    wiring: Annotated[
        Literal["wye", "delta", "single"],
        Field(description="wye: four wires; delta: three wires; single: one phase."),
    ] = "wye"
    fault_current_ka: Annotated[
        FaultCurrent | None,
        Field(
            description="Available (prospective) fault current at the main bus, kiloamperes, from the study: "
            "so far the coordination of breakers is looked at."
        ),
    ] = None


def _possible(text: str) -> str:
    name = reference_name(text)
    if name.port > 65_535:
        raise refuse("the reference's port is out of range", allowed="a port from 1 to 65535")
    if name.kind == "ntp" and ":" in name.place and not is_address(name.place):
        raise refuse("this is no address", allowed="ntp:HOST, ntp:HOST:PORT or ntp:[ADDRESS]:PORT")
    return text


_Reference = Annotated[
    str,
    StringConstraints(pattern=PATTERN),
    AfterValidator(_possible),
    Field(json_schema_extra={"x-allowed": "laptop, or tag:TAG, or ntp:HOST (no space after the colon)"}),
]


class Clock(Strict):
    """The reference clock: the laptop, a tag of this map (a master controller), or an NTP server."""

    reference: Annotated[
        _Reference | Annotated[tuple[_Reference, ...], Field(min_length=1, max_length=9)],
        Field(
            description="laptop, tag:TAG of a device of this map that has a clock, or ntp:HOST; or a list of "
            "them, which are compared with each other first, so that a false one is found."
        ),
    ] = "laptop"
    tolerance_s: Annotated[
        float, Field(gt=0, description="How far a device's clock may stand from the reference, seconds.")
    ] = 2.0
    drift_ppm: Annotated[
        float,
        Field(
            gt=0,
            le=20_000,
            description="How far a device's clock may gain or lose, parts per million. Every interval is "
            "widened by it between two readings.",
        ),
    ] = 200.0
    order_s: Annotated[
        float | None,
        Field(
            gt=0,
            description="How far apart two events may be, seconds, whose order their stamps must still "
            "tell. Left out: what clocks within the tolerance can.",
        ),
    ] = None
    zone: Annotated[
        Line,
        Field(
            description="Time zone of devices that show local time, by its name in the time zone database.",
            examples=["UTC", "Europe/Dublin"],
        ),
    ] = "UTC"

    @property
    def reference_texts(self) -> tuple[str, ...]:
        """The references as the map names them, each once, in its order."""
        named = (self.reference,) if isinstance(self.reference, str) else self.reference
        return tuple(dict.fromkeys(named))

    @property
    def reference_words(self) -> str:
        """The references as text, for people."""
        return ", ".join(self.reference_texts)

    @property
    def references(self) -> tuple[ReferenceName, ...]:
        """The parts of each reference's name."""
        return tuple(reference_name(text) for text in self.reference_texts)

    def is_reference(self, tag: str) -> bool:
        """True if the tag's clock is the one reference; one among several is judged like any other."""
        return self.references == (ReferenceName("tag", tag),)


class Tolerances(Strict):
    """Limits that belong to this site. Defaults are common practice, no source, unless a check says more."""

    voltage_percent: Annotated[
        float, Field(gt=0, le=100, description="How far voltages may stand from nominal, percent.")
    ] = 10.0
    frequency_hz: Annotated[
        float, Field(gt=0, description="How far the frequency may stand from nominal, hertz.")
    ] = 1.0
    balance_percent: Annotated[
        float,
        Field(
            gt=0,
            le=100,
            description="How far currents and powers of two instruments, or of a main and its feeders, may "
            "differ beside their accuracy classes, percent.",
        ),
    ] = 5.0
    bus_voltage_percent: Annotated[
        float,
        Field(
            gt=0,
            le=100,
            description="How far voltages of devices on one bus may differ beside their accuracy classes, "
            "percent.",
        ),
    ] = 2.0
    reply_ms: Annotated[float, Field(gt=0, description="Slowest usual reply, milliseconds.")] = 500.0
    loss_percent: Annotated[float, Field(ge=0, le=100, description="Lost requests allowed, percent.")] = 1.0


class DeviceMap(Strict):
    """A lineup as drawn: what should be there, and where it should answer."""

    format: Annotated[Literal["buswitness-map/1"], Field(description="Name and version of this format.")]
    site: Annotated[Line, Field(description="Name of the site.")]
    lineup: Annotated[Line, Field(description="Name of the lineup.")]
    system: Annotated[System, Field(description="Nominal voltage, frequency and wiring.")]
    networks: Annotated[tuple[Network, ...], Field(description="Its IP subnets.")] = ()
    clock: Annotated[Clock, Field(description="What devices' clocks are held against.")] = Clock()
    tolerances: Annotated[Tolerances, Field(description="Limits of this site.")] = Tolerances()
    include: Annotated[
        tuple[Line, ...],
        Field(description="Further files with devices and networks, relative to this file."),
    ] = ()
    study: Annotated[
        Line | None,
        Field(
            description="File with the settings that the study asks for (buswitness-study/1), relative to "
            "the map."
        ),
    ] = None
    approved_sha256: Annotated[
        str | None,
        StringConstraints(pattern=r"^[0-9a-f]{64}$"),
        Field(
            description="Approval hash of the map that somebody approved (`buswitness map check` prints it).",
            json_schema_extra={"x-allowed": "64 hexadecimal digits in lower case"},
        ),
    ] = None
    devices: Annotated[tuple[Device, ...], Field(description="The devices.")] = ()

    @cached_property
    def by_tag(self) -> dict[str, Device]:
        """Devices by tag (tags are unique: ``map_lint`` makes sure)."""
        return {device.tag: device for device in self.devices}

    @cached_property
    def sections(self) -> tuple[str, ...]:
        """Section names in the order in which they first occur."""
        return tuple(dict.fromkeys(device.section for device in self.devices))

    def target(self, tag: str) -> Target:
        """Where the tag answers, its gateway resolved. Raises KeyError for an unknown tag or gateway."""
        device = self.by_tag[tag]
        address = device.address
        if address.via is not None:
            gateway = self.by_tag[address.via].address
            return Target(
                gateway.host or "", gateway.port, address.unit, gateway.framing, gateway.serial, address.via
            )
        framing = Framing.RTU if address.serial is not None else address.framing
        return Target(address.host or "", address.port, address.unit, framing, address.serial, "")
