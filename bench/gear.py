"""The lineup of the benchmark: N simulated meters, each asked for 10 blocks of 100 registers.

Addresses are those of ``peers/server.c``: 127.1.0.1, 127.1.0.2, ... on one port. The profile holds 60
points that lie so that the cheapest plan is exactly those ten blocks.
"""

from __future__ import annotations

import hashlib
from decimal import Decimal

from probe.model.codec import Encoding, make_decoder
from probe.model.device_map import Address, Device, DeviceMap, Kind, System
from probe.model.lineup import Lineup, SourceText
from probe.model.profile import Area, Limits, Point, Profile
from probe.model.scope import Scope

BLOCKS = 10
REGISTERS = 100
PORT = 15020
LIMITS = Limits(registers=REGISTERS)  # all else as the tool has it by default


def host_of(index: int) -> str:
    """Loopback address of a simulated device."""
    return f"127.1.{index // 250}.{1 + index % 250}"


def lineup_of(count: int, *, port: int = PORT) -> Lineup:
    """A lineup of so many meters of the benchmark's profile."""
    devices = tuple(
        Device(
            tag=f"M-{index:04d}",
            kind=Kind.METER,
            profile="bench-meter",
            section=f"S{index // 100}",
            address=Address(host=host_of(index), port=port),
        )
        for index in range(count)
    )
    device_map = DeviceMap(
        format="buswitness-map/1",
        site="Tarn Hollow Water Works",
        lineup="MSB-1",
        system=System(voltage_v=480, frequency_hz=60),
        devices=devices,
    )
    text = SourceText(name="bench.yaml", text="", sha256=hashlib.sha256(b"").hexdigest())
    return Lineup(
        map=device_map, profiles={"bench-meter": profile()}, map_texts=(text,), profile_texts=(text,)
    )


def scope_of(lineup: Lineup) -> Scope:
    """All devices."""
    return Scope(tags=tuple(device.tag for device in lineup.map.devices))


def profile() -> Profile:
    """60 points of 16 and 32 bits in ten blocks of 100 registers."""
    points = tuple(point for block in range(BLOCKS) for point in _points(block))
    return Profile(
        name="bench-meter",
        title="Meter of the benchmark",
        kind=Kind.METER,
        limits=LIMITS,
        points=points,
        by_name={point.name: point for point in points},
        names=("bench-meter",),
        sha256=hashlib.sha256(b"bench-meter").hexdigest(),
    )


def _points(block: int) -> list[Point]:
    """Six points of a block: registers 0, 20, 40, 60, 80 and the pair 98, 99."""
    places = [(0, "u16"), (20, "u16"), (40, "i16"), (60, "u16"), (80, "u16"), (98, "u32")]
    return [_point(f"b{block}_{offset}", 200 * block + offset, kind) for offset, kind in places]


def _point(name: str, start: int, kind: str) -> Point:
    count = 2 if kind == "u32" else 1
    order = "ABCD" if kind == "u32" else "AB"
    decoder = make_decoder(Encoding(type=kind, count=count, order=order, scale=Decimal("0.1")))
    return Point(
        name=name,
        title=f"Point {name}",
        area=Area.HOLDING,
        start=start,
        count=count,
        type=kind,
        order=order,
        decoder=decoder,
        unit="A",
        quantity="current",
        low=0.0,
        high=2_000_000.0,
        decimals=1,
    )
