"""Words of cabling: types of fibre, sizes of conductors, cables of serial lines, kinds of cable in a conduit.

The map and the desk calculations speak them alike; what they are worth in numbers is in ``desk``.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, StringConstraints


class Fibre(StrEnum):
    """Type of fibre, by the names of ISO/IEC 11801. om1 is 62.5/125, om2 to om5 are 50/125."""

    OM1 = "om1"
    OM2 = "om2"
    OM3 = "om3"
    OM4 = "om4"
    OM5 = "om5"
    OS1A = "os1a"
    OS2 = "os2"


class Cable(StrEnum):
    """What runs in a conduit."""

    CONTROL = "control"  # 14 AWG switchboard control wire
    FIBRE = "fibre"
    PAIR = "twisted-pair"  # Ethernet or serial communication
    POWER = "power"


#: Sizes with a table value: gauges (stranded, or -solid) and square millimetres (class 2, or -fine: class 5).
GAUGES = ("18", "16", "14", "12", "10")
SQUARES = ("0.5", "0.75", "1", "1.5", "2.5", "4", "6")
CONDUCTOR_NAMES = (
    *(f"awg{size}{end}" for size in GAUGES for end in ("", "-solid")),
    *(f"{size}mm2{end}" for size in SQUARES for end in ("", "-fine")),
)

ConductorName = Annotated[
    str,
    StringConstraints(pattern=f"^({'|'.join(name.replace('.', '[.]') for name in CONDUCTOR_NAMES)})$"),
    Field(
        json_schema_extra={
            "x-allowed": "awg10 to awg18 (awg14-solid), or 0.5mm2 to 6mm2 (2.5mm2-fine): "
            + " ".join(CONDUCTOR_NAMES)
        }
    ),
]
ApplicationName = Literal["100base-fx", "1000base-sx", "1000base-lx"]
BusCable = Literal["awg24", "awg26", "cat5", "type-3"]
DataClass = Literal["a", "b", "c", "d"]
Divider = Literal["none", "open", "perforated", "solid"]

#: Temperatures that mean anything: of copper, of a battery (its table), of a room.
COLDEST_COPPER_C, HOTTEST_COPPER_C = -60.0, 200.0
COLDEST_BATTERY_C, HOTTEST_BATTERY_C = 0.0, 51.7
