"""Device map: what should be there, as a whole. Its parts stand beside: ``map_device``, ``map_address``,
``map_clock``, ``cabling``; the sorts of values in ``map_words``.

Rules across entries (duplicates, subnets, unknown tags, names too alike) are in ``map_lint``; reading YAML
with positions is in ``document``; turning text into a map is in ``map_load``.

Field names are the YAML keys. Units stand in the names.
"""

from __future__ import annotations

import ipaddress
from functools import cached_property
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from probe.model.cabling import NO_CABLING, Cabling
from probe.model.evidence import Framing
from probe.model.map_address import Address, SerialLine, Target
from probe.model.map_clock import Clock
from probe.model.map_device import Device, ExpectedIdentity, ExpectedState, Kind, Ratings
from probe.model.map_network import Link
from probe.model.map_words import FaultCurrent, Line, Strict, Tag

__all__ = [
    "MAP_FORMAT",
    "Address",
    "Clock",
    "Device",
    "DeviceMap",
    "ExpectedIdentity",
    "ExpectedState",
    "Kind",
    "Line",
    "Network",
    "Ratings",
    "SerialLine",
    "Strict",
    "System",
    "Tag",
    "Target",
    "Tolerances",
]

MAP_FORMAT = "buswitness-map/1"


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
    root: Annotated[
        Tag | None, Field(description="Tag of the switch that should be the root of the spanning tree.")
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
    cabling: Annotated[
        Cabling,
        Field(
            description="Cables, conduits and control power: for desk calculations and the field checklist."
        ),
    ] = NO_CABLING
    links: Annotated[
        tuple[Link, ...],
        Field(description="Network links between switches, and from switches to devices, for the survey."),
    ] = ()
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
