"""Address: where a device of the map answers, and what that comes to once its gateway is known."""

from __future__ import annotations

from typing import Annotated, Literal, NamedTuple

from pydantic import ConfigDict, Field, model_validator
from pydantic.config import JsonDict

from probe.model.evidence import Framing
from probe.model.map_words import HostName, Line, Strict, Tag
from probe.model.shape import refuse


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


class Target(NamedTuple):
    """A device's address with the gateway resolved: one link (a socket or a serial port) and a unit."""

    host: str  # empty for a serial line
    port: int
    unit: int
    framing: Framing
    serial: SerialLine | None
    gateway: str  # tag of the gateway, empty when direct

    @property
    def on_bus(self) -> bool:
        """True if a serial line lies on the way: other units can be there, also two with one number."""
        return bool(self.gateway) or self.serial is not None or self.framing is Framing.RTU

    @property
    def link(self) -> str:
        """Name of the link: devices with the same link share one socket."""
        if self.serial is not None:
            return self.serial.port
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"
