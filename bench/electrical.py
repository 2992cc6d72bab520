"""CPU that judging an electrical lineup costs: every check, and the diagnosis.

    python bench/electrical.py [--devices 1000] [--profile]

The lineup: mains with 19 feeders each, all second-generation trip units of the practice lineup (about 75
points, of them 28 electrical), read once and what must move once more, all healthy. "A few seconds on one
core" for 1,000 devices is the aim. Times are CPU times of this process.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from probe.judge import conclude, expected, judge_device
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.device_map import Address, Device, DeviceMap
from probe.model.evidence import Anchor, Exchange
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.practice.offline import SECOND, TRUTH_S, Clock, Visit, exchanges_of, practice_lineup
from probe.practice.part import Part
from probe.practice.scenario import bundled_scenario

FEEDERS = 19
Told = dict[str, list[tuple[int, Exchange]]]


def main_of_all(parts: dict[str, Part]) -> None:
    """A main that shows what 19 feeders like 52-F1 take."""
    known = parts["52-F2"].instrument
    assert known is not None
    parts["52-F2"].entry = replace(parts["52-F2"].entry, circuit="52-F1")
    parts["52-F2"].shows["sensor_rating"] = 6300
    parts["52-F2"].instrument = replace(known, amp_gain=known.amp_gain * FEEDERS)


def gear(devices: int) -> tuple[Lineup, Told]:
    """The lineup and what its devices answered."""
    clock = Clock()
    drawn, registers = practice_lineup(bundled_scenario("healthy"), clock, alter=main_of_all)  # type: ignore[arg-type]
    wanted = {tag: registers[tag] for tag in ("52-F1", "52-F2")}
    seen = exchanges_of(drawn, wanted, clock, Visit(at_s=5.0))
    entries: list[Device] = []
    told: Told = {}
    for n in range(devices):
        main, place = divmod(n, FEEDERS + 1)
        model = drawn.map.by_tag["52-F1" if place else "52-F2"]
        tag = f"M{main}-F{place}" if place else f"M{main}"
        entries.append(
            model.model_copy(
                update={
                    "tag": tag,
                    "address": Address(host=f"127.{n >> 16}.{n >> 8 & 255}.{n & 255 or 1}"),
                    "fed_from": f"M{main}" if place else None,
                    "ratings": model.ratings
                    if place
                    else model.ratings.model_copy(update={"sensor_a": 6300}),
                }
            )
        )
        told[tag] = [(number, one._replace(tag=tag)) for number, one in seen[model.tag]]
    fields = {name: getattr(drawn.map, name) for name in DeviceMap.model_fields}
    return replace(drawn, map=DeviceMap(**{**fields, "devices": tuple(entries)}), studies={}), told


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--devices", type=int, default=1000)
    parser.add_argument("--profile", action="store_true", help="print where the time goes")
    options = parser.parse_args()
    lineup, told = gear(options.devices)
    scope = Scope(tags=tuple(told))
    run = RunEvidence(anchors=((1, Anchor(0, round(TRUTH_S * SECOND))),))
    profiler = cProfile.Profile()
    if options.profile:
        profiler.enable()
    began = time.process_time()
    due = expected(lineup, scope)
    listed = time.process_time()
    judgements = {
        tag: judge_device(lineup, scope, DeviceEvidence(tag=tag, exchanges=tuple(seen)), run)
        for tag, seen in told.items()
    }
    judged = time.process_time()
    conclusion = conclude(lineup, scope, judgements, run)
    done = time.process_time()
    profiler.disable()
    electrical = [f for f in conclusion.findings if f.check.startswith("electrical.")]
    bad = [f for f in electrical if f.verdict.value != "pass"]
    many = len(told)
    print(f"expected   {1e6 * (listed - began) / many:7.0f} us a device, {len(due)} verdicts due")
    print(f"judge      {1e6 * (judged - listed) / many:7.0f} us a device")
    print(f"conclude   {1e6 * (done - judged) / many:7.0f} us a device, {len(conclusion.findings)} findings")
    print(f"together   {done - began:7.2f} s for {many} devices; {len(electrical)} electrical findings, "
          f"{len(bad)} of them no pass")  # fmt: skip
    if options.profile:
        pstats.Stats(profiler).sort_stats("tottime").print_stats(25)


if __name__ == "__main__":
    main()
