"""CPU that judging costs: one healthy device, and the conclusion of a lineup.

    python bench/judge.py [--devices 1000] [--profile]

The device of the budget: 10 replies of 100 registers, 60 points (30 floats, 30 whole numbers), all healthy.
Budget: 250 us of CPU for all its verdicts, findings made. Times are CPU times of this process; the smallest
of many runs is the work, the median holds what the machine adds.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import struct
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from probe.judge import conclude, expected, judge_device
from probe.model.codec import Encoding, make_decoder
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.device_map import Address, Device, DeviceMap, Kind, System
from probe.model.evidence import Anchor, Exchange, Framing, Outcome, Purpose
from probe.model.lineup import Lineup
from probe.model.profile import Area, Limits, Point, Profile, Proof
from probe.model.scope import Scope

BLOCKS, REGISTERS, IN_BLOCK = 10, 100, 6


def points() -> tuple[Point, ...]:
    """Six points in each of ten blocks: floats and whole numbers, one block of voltages."""
    made = []
    for number in range(BLOCKS * IN_BLOCK):
        block, place = divmod(number, IN_BLOCK)
        kind = "f32" if place % 2 else "u32"
        name = f"point_{number}"
        made.append(
            Point(
                name=name, title=name, area=Area.HOLDING, start=block * REGISTERS + 3 * place, count=2,
                type=kind, order="ABCD", decoder=make_decoder(Encoding(type=kind, count=2, order="ABCD")),
                unit="V", quantity="voltage_line" if block == 0 else "setting", low=0, high=1000,
            )
        )  # fmt: skip
    return tuple(made)


def lineup(devices: int) -> Lineup:
    """A lineup of like devices."""
    all_points = points()
    profile = Profile(
        name="bench", title="bench", kind=Kind.METER, limits=Limits(), points=all_points,
        by_name={point.name: point for point in all_points},
        proof=(Proof(point="point_0", equals=480),), sha256="bench",
    )  # fmt: skip
    entries = tuple(
        Device(
            tag=f"D{n}", kind=Kind.METER, profile="bench", section="A",
            address=Address(host=f"127.{n >> 16}.{n >> 8 & 255}.{n & 255 or 1}"),
        )
        for n in range(devices)
    )  # fmt: skip
    text = DeviceMap(
        format="buswitness-map/1", site="Tarn Hollow Water Works", lineup="MSB-1",
        system=System(voltage_v=480, frequency_hz=60), devices=entries,
    )  # fmt: skip
    return Lineup(map=text, profiles={"bench": profile}, map_texts=(), profile_texts=())


def evidence(tag: str) -> DeviceEvidence:
    """What a healthy device of the bench answered."""
    payload = bytearray(2 * REGISTERS)
    for place in range(IN_BLOCK):
        struct.pack_into(">f" if place % 2 else ">I", payload, 6 * place, 480)
    exchanges = tuple(
        (
            10 + n,
            Exchange(
                tag, Purpose.POLL, Framing.MBAP, 0, 1, n * 10_000_000, n * 10_000_000 + 5_000_000,
                Outcome.DATA, 0, struct.pack(">HHHBBHH", n, 0, 6, 255, 3, n * REGISTERS, REGISTERS),
                struct.pack(">HHHBBB", n, 0, 203, 255, 3, 200) + bytes(payload),
            ),
        )
        for n in range(BLOCKS)
    )  # fmt: skip
    return DeviceEvidence(tag=tag, exchanges=exchanges)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--devices", type=int, default=1000)
    parser.add_argument("--profile", action="store_true", help="print where the time of judging goes")
    options = parser.parse_args()
    gear = lineup(options.devices)
    scope = Scope(tags=tuple(device.tag for device in gear.map.devices))
    run = RunEvidence(anchors=((0, Anchor(0, 1_773_480_413_000_000_000)),))
    began = time.process_time_ns()
    due = expected(gear, scope)
    print(f"expected   {per_device(began, options.devices):7.1f} us a device, {len(due)} verdicts due")
    told = [evidence(tag) for tag in scope.tags]
    times, judgements = [], {}
    for one in told:
        began = time.process_time_ns()
        judgements[one.tag] = judge_device(gear, scope, one, run)
        times.append((time.process_time_ns() - began) / 1000)
    times.sort()
    print(f"judge      {times[0]:7.1f} us smallest, {times[len(times) // 2]:.1f} us median, budget 250")
    began = time.process_time_ns()
    conclusion = conclude(gear, scope, judgements, run)
    found = len(conclusion.findings)
    print(f"conclude   {per_device(began, options.devices):7.1f} us a device, {found} findings")
    if options.profile:
        profiler = cProfile.Profile()
        profiler.runcall(lambda: [judge_device(gear, scope, one, run) for one in told])
        pstats.Stats(profiler).sort_stats("tottime").print_stats(20)


def per_device(began_ns: int, devices: int) -> float:
    """Microseconds of CPU a device since then."""
    return (time.process_time_ns() - began_ns) / 1000 / devices


if __name__ == "__main__":
    main()
