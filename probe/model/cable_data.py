"""Cables that carry data, as drawn: fibre links, copper channels, serial lines."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from probe.model.cable_words import ApplicationName, BusCable, Fibre
from probe.model.map_words import Line, Strict, Tag
from probe.model.nearest import listed
from probe.model.shape import refuse


def _among(*numbers: int) -> Callable[[int], int]:
    """A validator that lets only these numbers pass (a map's values are texts, so no Literal of numbers)."""

    def check(number: int) -> int:
        if number not in numbers:
            raise refuse("this number is none of those allowed", allowed=listed(f"{one}" for one in numbers))
        return number

    return check


def _two(ends: tuple[str, ...]) -> tuple[str, ...]:
    if len(ends) != 2:
        raise refuse(f"a cable has two ends; {len(ends)} are given", allowed="two names")
    return ends


Wavelength = Annotated[int, AfterValidator(_among(850, 1300, 1310, 1550))]
CordGauge = Annotated[int, AfterValidator(_among(24, 26))]
CharacterBits = Annotated[int, AfterValidator(_among(10, 11))]
Ends = Annotated[
    tuple[Tag, ...],
    AfterValidator(_two),
    Field(
        description="What it joins: tags of devices, or names of equipment of this map.",
        examples=[["SW-1", "CV-1"]],
    ),
]
Metres = Annotated[float, Field(gt=0, le=100_000)]
Spread = Annotated[float, Field(ge=0, le=10_000)]
Decibels = Annotated[float, Field(ge=0, le=100)]
Level = Annotated[float, Field(ge=-100, le=50)]

#: Wavelengths with a standard's attenuation, nm, on multimode (om) and on single-mode fibre (os).
WAVELENGTHS = {"om": (850, 1300), "os": (1310, 1550)}
#: Wavelength that an application uses on each, nm. Source: IEEE 802.3 (from memory).
RUNS_AT = {"100base-fx": {"om": 1300}, "1000base-sx": {"om": 850}, "1000base-lx": {"om": 1300, "os": 1310}}


class Transceivers(Strict):
    """Data of the transceivers at both ends, dBm at the fibre."""

    launch_least_dbm: Annotated[Level, Field(description="Weakest light that a transmitter sends, dBm.")]
    launch_most_dbm: Annotated[Level, Field(description="Strongest light that a transmitter sends, dBm.")]
    sensitivity_dbm: Annotated[Level, Field(description="Least light that a receiver needs, dBm.")]
    overload_dbm: Annotated[Level, Field(description="Most light that a receiver bears, dBm.")]

    @model_validator(mode="after")
    def _in_order(self) -> Transceivers:
        for low, high in (("launch_least_dbm", "launch_most_dbm"), ("sensitivity_dbm", "overload_dbm")):
            if getattr(self, low) > getattr(self, high):
                raise refuse(
                    f"{low} is above {high}",
                    allowed=f"at most {getattr(self, high):g} dBm",
                    remedy="are the two exchanged? both come from the data sheet",
                    at=(low,),
                )
        return self


class FibreLink(Strict):
    """One fibre link from transceiver to transceiver."""

    name: Annotated[Tag, Field(description="Name of the cable on the drawings; unique in the map.")]
    ends: Ends
    fibre: Annotated[Fibre, Field(description="om1 is 62.5/125, om2 to om5 are 50/125, os single-mode.")]
    wavelength_nm: Annotated[Wavelength, Field(description="850 or 1300 (om), 1310 or 1550 (os).")]
    length_m: Annotated[Metres, Field(description="Length of the fibre, metres.")]
    length_plus_minus_m: Annotated[Spread, Field(description="What the length may be off, metres.")] = 0.0
    connectors: Annotated[
        int, Field(ge=0, le=100, description="Mated connector pairs that the light passes.")
    ] = 2
    splices: Annotated[int, Field(ge=0, le=100, description="Splices.")] = 0
    connector_db: Annotated[
        Decibels | None, Field(description="Loss of one mated pair, dB, if not the standard's 0.75.")
    ] = None
    splice_db: Annotated[
        Decibels | None, Field(description="Loss of one splice, dB, if not the standard's 0.3.")
    ] = None
    db_per_km: Annotated[
        Annotated[float, Field(gt=0, le=100)] | None,
        Field(description="Attenuation of the cable's own data sheet, if not the standard's."),
    ] = None
    ageing_db: Annotated[
        Decibels | None, Field(description="Reserve for ageing and repairs, dB, if not 3.")
    ] = None
    application: Annotated[
        ApplicationName | None, Field(description="What runs on it: limits of loss and length.")
    ] = None
    transceivers: Annotated[
        Transceivers | None, Field(description="Data of the transceivers: too little and too much light.")
    ] = None
    connector: Annotated[
        Line | None,
        Field(description="Type of connector on the drawings, as BFOC/2.5.", examples=["BFOC/2.5"]),
    ] = None

    @model_validator(mode="after")
    def _known_light(self) -> FibreLink:
        sort = self.fibre.value[:2]
        if self.wavelength_nm not in WAVELENGTHS[sort]:
            raise refuse(
                f"{self.fibre} is not used at {self.wavelength_nm} nm",
                allowed=" or ".join(f"{one}" for one in WAVELENGTHS[sort]),
                at=("wavelength_nm",),
            )
        if self.application is not None and RUNS_AT[self.application].get(sort) != self.wavelength_nm:
            runs = [f"{nm} nm on {sort}" for sort, nm in RUNS_AT[self.application].items()]
            raise refuse(
                f"{self.application} does not run at {self.wavelength_nm} nm on {self.fibre}",
                allowed=" or ".join(runs),
                at=("application",),
            )
        return self


class Channel(Strict):
    """One balanced copper channel (twisted pair, Ethernet)."""

    name: Annotated[Tag, Field(description="Name of the cable on the drawings; unique in the map.")]
    ends: Ends
    fixed_m: Annotated[Metres, Field(description="Length of the fixed cable, metres.")]
    fixed_plus_minus_m: Annotated[Spread, Field(description="What it may be off, metres.")] = 0.0
    cords_m: Annotated[float, Field(ge=0, le=1000, description="All its cords together, metres.")] = 10.0
    cord_gauge: Annotated[CordGauge, Field(description="Gauge of the cords, AWG: 24 or 26.")] = 24
    ambient_c: Annotated[
        float, Field(ge=-40, le=100, description="Hottest surroundings of the cable, °C.")
    ] = 20.0
    screened: Annotated[bool, Field(description="Whether the cable is screened.")] = False


class SerialBus(Strict):
    """One serial line with what its master asks in a round."""

    name: Annotated[Tag, Field(description="Name of the cable on the drawings; unique in the map.")]
    line: Annotated[
        Line, Field(description="Tag of the gateway, or serial port, whose devices of this map are on it.")
    ]
    requests: Annotated[
        int, Field(ge=1, le=1000, description="Requests of the master to each device in a round.")
    ]
    registers: Annotated[int, Field(ge=1, le=125, description="Registers of each request.")]
    baud: Annotated[
        Annotated[int, Field(ge=300, le=1_000_000)] | None,
        Field(description="Bits a second; left out: that of the serial port in the map, else 19200."),
    ] = None
    bits: Annotated[
        CharacterBits, Field(description="Bits of a character: 11, or 10 where a site uses 8N1.")
    ] = 11
    response_ms: Annotated[
        float, Field(ge=0, le=60_000, description="A device's own time to answer, milliseconds.")
    ] = 50.0
    response_plus_minus_ms: Annotated[
        float, Field(ge=0, le=60_000, description="What that may be off, milliseconds.")
    ] = 0.0
    gap_ms: Annotated[
        float, Field(ge=0, le=60_000, description="The master's pause after each request, milliseconds.")
    ] = 0.0
    timeout_s: Annotated[
        float, Field(gt=0, le=600, description="How long the master waits for an answer, seconds.")
    ] = 1.0
    retries: Annotated[int, Field(ge=0, le=100, description="Further attempts after a time-out.")] = 2
    dead: Annotated[
        int, Field(ge=0, le=247, description="Devices that may be silent while the round is still kept.")
    ] = 0
    wanted_s: Annotated[
        Annotated[float, Field(gt=0, le=86_400)] | None,
        Field(description="Longest round that the site bears, seconds."),
    ] = None
    length_m: Annotated[Metres | None, Field(description="Length of the trunk, metres.")] = None
    length_plus_minus_m: Annotated[Spread, Field(description="What the length may be off, metres.")] = 0.0
    cable: Annotated[BusCable, Field(description="Wire of the pair, or a type 3 fieldbus cable.")] = "awg24"
    polarised: Annotated[bool, Field(description="Whether the pair is polarised.")] = False
    four_wire: Annotated[
        bool, Field(description="Whether four-wire cabling is used as two-wire: half the length.")
    ] = False
