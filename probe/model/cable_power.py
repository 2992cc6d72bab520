"""Control power, as drawn: DC feeders with their loads, batteries with what they must carry."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from probe.model.cable_data import Spread
from probe.model.cable_words import (
    COLDEST_BATTERY_C,
    COLDEST_COPPER_C,
    HOTTEST_BATTERY_C,
    HOTTEST_COPPER_C,
    ConductorName,
)
from probe.model.map_words import Strict, Tag
from probe.model.shape import refuse

Watts = Annotated[float, Field(gt=0, le=1_000_000)]
Draw = Annotated[float, Field(gt=0, le=100_000)]
Volts = Annotated[float, Field(gt=0, le=1500)]
Part = Annotated[float, Field(ge=0.01, le=1)]
_NOMINAL_V = 24.0


class FeederLoad(Strict):
    """One consumer on a DC feeder. Exactly one of draw_w and draw_a."""

    name: Annotated[Tag, Field(description="Tag of the device, or name of the equipment, that it feeds.")]
    distance_m: Annotated[
        float, Field(ge=0, le=100_000, description="Way along the feeder from the supply, metres.")
    ]
    distance_plus_minus_m: Annotated[Spread, Field(description="What that may be off, metres.")] = 0.0
    draw_w: Annotated[
        Draw | None, Field(description="Power that it draws, watts (a converter: constant power).")
    ] = None
    draw_a: Annotated[Draw | None, Field(description="Current that it draws, amperes.")] = None

    @model_validator(mode="after")
    def _one_draw(self) -> FeederLoad:
        if (self.draw_w is None) == (self.draw_a is None):
            has = "neither" if self.draw_w is None else "both"
            raise refuse(
                f"a load needs exactly one of draw_w and draw_a; it has {has}",
                allowed="draw_w in watts, or draw_a in amperes",
            )
        if self.distance_plus_minus_m > self.distance_m:
            raise refuse(
                "the distance may be less than nothing",
                allowed=f"at most {self.distance_m:g}",
                at=("distance_plus_minus_m",),
            )
        return self


class Feeder(Strict):
    """One pair of control wires from a DC supply, along which loads hang."""

    name: Annotated[Tag, Field(description="Name of the cable on the drawings; unique in the map.")]
    supply: Annotated[Tag, Field(description="Tag of the device, or name of the equipment, that feeds it.")]
    conductor: Annotated[ConductorName, Field(description="Size of its wires.")] = "awg14"
    temperature_c: Annotated[
        float,
        Field(ge=COLDEST_COPPER_C, le=HOTTEST_COPPER_C, description="Hottest the copper may become, °C."),
    ] = 40.0
    supply_v: Annotated[Volts, Field(description="Nominal voltage of the supply.")] = _NOMINAL_V
    supply_least_v: Annotated[
        Volts | None, Field(description="Its least: tolerance, or the battery's at the end of discharge.")
    ] = None
    supply_most_v: Annotated[Volts | None, Field(description="Its most, as with the battery on charge.")] = (
        None
    )
    limit_least_v: Annotated[
        Volts | None, Field(description="Least that the loads bear; at 24 V 20.4 V if left out.")
    ] = None
    limit_most_v: Annotated[
        Volts | None, Field(description="Most that the loads bear; at 24 V 28.8 V if left out.")
    ] = None
    loads: Annotated[tuple[FeederLoad, ...], Field(description="What hangs on it; at least one.")]

    @model_validator(mode="after")
    def _voltages(self) -> Feeder:
        if not self.loads:
            raise refuse("a feeder without a load", allowed="at least one load", at=("loads",))
        least, most = self.supply_least_v or self.supply_v, self.supply_most_v or self.supply_v
        for wrong, field in (
            (least > self.supply_v, "supply_least_v"),
            (most < self.supply_v, "supply_most_v"),
        ):
            if wrong:
                raise refuse(
                    "supply_v is not between the supply's least and most",
                    allowed="supply_least_v <= supply_v <= supply_most_v",
                    at=(field,),
                )
        limits = (self.limit_least_v, self.limit_most_v)
        if self.supply_v != _NOMINAL_V and None in limits:
            raise refuse(
                f"the limits of IEC 61131-2 are known for 24 V only, not for {self.supply_v:g} V",
                allowed="limit_least_v and limit_most_v of the loads",
                at=("limit_least_v" if limits[0] is None else "limit_most_v",),
            )
        if limits[0] is not None and limits[1] is not None and limits[0] >= limits[1]:
            raise refuse(
                "limit_least_v is not below limit_most_v",
                allowed=f"below {limits[1]:g}",
                at=("limit_least_v",),
            )
        return self


class Stage(Strict):
    """One part of what a battery must carry, in order of time."""

    draw_w: Annotated[Watts, Field(description="Power of all loads together, watts.")]
    minutes: Annotated[
        Annotated[float, Field(gt=0, le=100_000)] | None,
        Field(
            description="How long; only the last part may be without: it lasts until the battery is empty."
        ),
    ] = None


class Bank(Strict):
    """A battery: of a UPS, or of a DC supply."""

    name: Annotated[Tag, Field(description="Name of the battery on the drawings; unique in the map.")]
    supply: Annotated[Tag, Field(description="Tag of the UPS, or name of the equipment, that it belongs to.")]
    voltage_v: Annotated[Volts, Field(description="Voltage of the battery.")] = _NOMINAL_V
    capacity_ah: Annotated[float, Field(gt=0, le=100_000, description="Capacity when new, ampere-hours.")]
    hour_rate_h: Annotated[
        float, Field(gt=0, le=1000, description="Discharge time for which the capacity is given, hours.")
    ] = 20.0
    rate_exponent: Annotated[
        float, Field(ge=1, le=2, description="Less at high current (Peukert); 1 is none.")
    ] = 1.0
    depth: Annotated[Part, Field(description="Part of the charge that may be used.")] = 0.8
    efficiency: Annotated[Part, Field(description="Efficiency from battery to load.")] = 0.9
    health: Annotated[Part, Field(description="Capacity that age leaves; 0.8 is the end of life.")] = 0.8
    temperature_c: Annotated[
        float,
        Field(
            ge=COLDEST_BATTERY_C, le=HOTTEST_BATTERY_C, description="Lowest temperature of the battery, °C."
        ),
    ] = 25.0
    rating_va: Annotated[Watts | None, Field(description="Rating of the UPS, volt-amperes.")] = None
    wanted_min: Annotated[
        Annotated[float, Field(gt=0, le=100_000)] | None,
        Field(description="How long it must carry its loads, minutes."),
    ] = None
    load_profile: Annotated[
        tuple[Stage, ...], Field(max_length=100, description="What it must carry, in order of time.")
    ]

    @model_validator(mode="after")
    def _only_the_last_goes_on(self) -> Bank:
        if not self.load_profile:
            raise refuse("a battery without a load", allowed="at least one part", at=("load_profile",))
        for number, stage in enumerate(self.load_profile[:-1]):
            if stage.minutes is None:
                raise refuse(
                    "only the last part of a load profile may go on without an end",
                    allowed="minutes of this part",
                    at=("load_profile", number),
                )
        return self
