"""Device: one entry of the map, with who it should say it is and how it should stand."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, field_validator

from probe.model.map_address import Address
from probe.model.map_network import Port, SnmpAccess
from probe.model.map_words import Amperes, FaultCurrent, Line, Strict, Tag, Volts
from probe.model.shape import refuse


class Kind(StrEnum):
    """What sort of device a tag is."""

    TRIP_UNIT = "trip-unit"
    METER = "meter"
    GATEWAY = "gateway"
    SWITCH = "switch"
    UPS = "ups"
    MASTER = "master"
    OTHER = "other"


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
    snmp: Annotated[
        SnmpAccess | None, Field(description="For a switch or a UPS: how the survey asks it by SNMP.")
    ] = None
    ports: Annotated[
        tuple[Port, ...], Field(description="For a switch: its ports as drawn, for the survey.")
    ] = ()
    autonomy_min: Annotated[
        float | None,
        Field(gt=0, le=10_000, description="For a UPS: minutes it must carry its load, after the design."),
    ] = None
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
