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

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, field_validator, model_validator

from probe.model.evidence import Framing

MAP_FORMAT = "buswitness-map/1"

Tag = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._/+-]{0,39}$")]
Line = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]


HostName = Annotated[str, StringConstraints(max_length=253, pattern=r"^[A-Za-z0-9.:_-]+$")]


class Strict(BaseModel):
    """Base of all that people write: unknown keys are errors, objects do not change."""

    model_config = ConfigDict(frozen=True, extra="forbid")


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

    port: Line
    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 19_200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Annotated[int, Field(ge=1, le=2)] = 1


class Address(Strict):
    """Where a device answers. Exactly one of host, via, serial.

    via: tag of the gateway behind which the device sits; host, port and framing are the gateway's.
    unit: 255 is what a Modbus TCP server at its own address expects (Messaging Guide V1.0b, 4.4.1.2).
    """

    host: (
        Annotated[str, StringConstraints(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9.:_-]+$")] | None
    ) = None
    port: Annotated[int, Field(ge=1, le=65_535)] = 502
    unit: Annotated[int, Field(ge=0, le=255)] = 255
    framing: Framing = Framing.MBAP
    via: Tag | None = None
    serial: SerialLine | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Address:
        given = [name for name in ("host", "via", "serial") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(
                f"exactly one of host, via, serial is needed; found {', '.join(given) or 'none'}"
            )
        if self.host is None and ({"port", "framing"} & self.model_fields_set):
            raise ValueError("port and framing belong to host; behind a gateway they are the gateway's")
        if self.host is None and not 1 <= self.unit <= 247:
            raise ValueError(f"a serial unit is 1 to 247; found {self.unit}")
        return self


class ExpectedIdentity(Strict):
    """Who the device should say it is. Empty fields are not compared.

    firmware: one version (``2.4.1``), or a range (``>=2.4, <3``), compared part by part as numbers.
    """

    maker: Line | None = None
    model: Line | None = None
    serial: Line | None = None
    firmware: Line | None = None


class ExpectedState(Strict):
    """How the gear should stand while it is audited. Fields left out are not judged."""

    position: Literal["connected", "test", "withdrawn"] | None = None
    breaker: Literal["open", "closed", "tripped"] | None = None
    energized: bool | None = None
    maintenance: Literal["on", "off"] | None = None


class Ratings(Strict):
    """Ratings from the drawings, amperes and volts."""

    frame_a: Annotated[float, Field(gt=0)] | None = None
    sensor_a: Annotated[float, Field(gt=0)] | None = None
    plug_a: Annotated[float, Field(gt=0)] | None = None
    ct_primary_a: Annotated[float, Field(gt=0)] | None = None
    ct_secondary_a: Annotated[float, Field(gt=0)] | None = None
    vt_primary_v: Annotated[float, Field(gt=0)] | None = None
    vt_secondary_v: Annotated[float, Field(gt=0)] | None = None


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

    tag: Tag
    kind: Kind
    profile: Line
    section: Line
    address: Address
    cubicle: Line | None = None
    description: Line | None = None
    hardware_address: str | None = None
    fed_from: Tag | None = None
    identity: ExpectedIdentity = ExpectedIdentity()
    state: ExpectedState = ExpectedState()
    ratings: Ratings = Ratings()
    study: Line | None = None
    register_shift: Annotated[int, Field(ge=-65_535, le=65_535)] = 0
    required: bool = True

    @field_validator("hardware_address")
    @classmethod
    def _hardware_address(cls, text: str | None) -> str | None:
        """Twelve hexadecimal digits in any usual grouping, kept as lower-case pairs with colons."""
        if text is None:
            return None
        digits = re.sub(r"[:.\-]", "", text).lower()
        if not re.fullmatch(r"[0-9a-f]{12}", digits):
            raise ValueError("a hardware address has twelve hexadecimal digits, as 02:00:5e:10:00:01")
        return ":".join(digits[i : i + 2] for i in range(0, 12, 2))


class Network(Strict):
    """One IP subnet of the lineup. requests_per_second: budget for all its hosts together."""

    name: Line
    subnet: ipaddress.IPv4Network | ipaddress.IPv6Network
    router: ipaddress.IPv4Address | ipaddress.IPv6Address | None = None
    requests_per_second: Annotated[float, Field(gt=0, le=100_000)] | None = None


class System(Strict):
    """The nominal electrical system. voltage_v is line to line (of the single phase for ``single``)."""

    voltage_v: Annotated[float, Field(gt=0, le=1500)]
    frequency_hz: Annotated[float, Field(ge=16, le=400)]
    wiring: Literal["wye", "delta", "single"] = "wye"


class Clock(Strict):
    """The reference clock: the laptop, a tag of this map (a master controller), or an NTP server.

    tolerance_s: how far a device's clock may stand from the reference.
    """

    reference: Annotated[str, StringConstraints(pattern=r"^(laptop|tag:\S+|ntp:\S+)$")] = "laptop"
    tolerance_s: Annotated[float, Field(gt=0)] = 2.0
    zone: Line = "UTC"


class Tolerances(Strict):
    """Limits that belong to this site. Defaults are common practice, no source, unless a check says more."""

    voltage_percent: Annotated[float, Field(gt=0, le=100)] = 10.0
    frequency_hz: Annotated[float, Field(gt=0)] = 1.0
    reply_ms: Annotated[float, Field(gt=0)] = 500.0
    loss_percent: Annotated[float, Field(ge=0, le=100)] = 1.0


class DeviceMap(Strict):
    """A lineup as drawn."""

    format: Literal["buswitness-map/1"]
    site: Line
    lineup: Line
    system: System
    networks: tuple[Network, ...] = ()
    clock: Clock = Clock()
    tolerances: Tolerances = Tolerances()
    include: tuple[Line, ...] = ()
    approved_sha256: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")] | None = None
    devices: tuple[Device, ...] = ()

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
