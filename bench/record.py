"""Throughput of records: verify and judge against plain SHA-256 of the same file: python -m bench.record

    python -m bench.record [--megabytes 64] [--devices 1000] [--large 2048] [--dwell 600] [--output FILE]

Writes its own section of RESULTS.md, between two marks, and leaves the rest as it is. ``--large`` writes,
verifies and deletes one record of so many megabytes in a temporary folder (0: not). Every measurement runs
in a process of its own, so that its peak memory is its own. Times are the least of the repeats, ratios are of
CPU times.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import platform
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from bench.measuring import in_processes, peak_mib, renew

HERE = Path(__file__).parent
BEGIN, END = "<!-- bench.record begins -->", "<!-- bench.record ends -->"
LIMIT_S = 900.0
MIB = 1024 * 1024
SECOND_NS = 1_000_000_000


def write_large(path: Path, megabytes: int) -> None:
    """A sealed record of about so many megabytes, exchanges nearly all of it."""
    from probe.model.evidence import Anchor, Exchange, Framing, Outcome, Purpose
    from probe.model.scope import Scope
    from probe.record.header import Header
    from probe.record.writer import RecordWriter

    header = Header(
        tool_version="bench",
        site="Tarn Hollow Water Works",
        lineup="MSB-1",
        map_texts=(),
        profile_texts=(),
        scope=Scope(tags=("F-01",)),
        started_wall_ns=0,
    )
    writer = RecordWriter.create(path, header)
    writer.keep(Anchor(0, 0))
    data = hashlib.shake_128(b"bench").digest(209)  # as many bytes as 100 registers over Modbus TCP
    number = 0
    while writer._offset < megabytes * MIB:
        sent = number * 10_000_000
        writer.keep(
            Exchange(
                "F-01",
                Purpose.POLL,
                Framing.MBAP,
                0,
                1,
                sent,
                sent + 5_000_000,
                Outcome.DATA,
                0,
                data[:12],
                data,
            )
        )
        number += 1
    writer.seal(complete=True, reason="")


def write_lineup(path: Path, devices: int, rounds: int = 0) -> None:
    """A record of a run over so many healthy meters, all alike, with the verdicts that follow from it.

    rounds: as many further polls of every device, a second apart, mixed as in a dwell: all devices are done
    at its end.
    """
    from probe.collect.inputs import open_library
    from probe.judge import expected
    from probe.model.evidence import JUDGED, Note, Purpose
    from probe.model.map_load import load_lineup
    from probe.model.scope import Scope
    from probe.record.header import Header
    from probe.record.large import opened
    from probe.record.rejudge import judge_again
    from probe.record.writer import RecordWriter

    with tempfile.TemporaryDirectory() as name:
        profile, (anchor, *answers) = _healthy_meter(Path(name))
    text = _map_text(devices, profile)
    lineup, _ = load_lineup("map.yaml", lambda _: text.encode(), open_library())
    scope = Scope(tags=tuple(device.tag for device in lineup.map.devices))
    header = Header.of(lineup, scope, tool_version="bench", started_wall_ns=0)
    writer = RecordWriter.create(path.with_suffix(".open"), header)
    writer.expect(expected(lineup, scope))
    writer.keep(anchor)
    for tag in scope.tags:
        for exchange in answers:
            writer.keep(exchange._replace(tag=tag))
    polls = [one for one in answers if one.purpose == Purpose.POLL]
    for turn in range(rounds):
        later = [_moved(one, turn) for one in polls]
        for tag in scope.tags:
            for exchange in later:
                writer.keep(exchange._replace(tag=tag))
    for number, tag in enumerate(scope.tags):
        writer.keep(Note(number, JUDGED, tag))
    writer.flush()
    with opened(path.with_suffix(".open")) as content:
        conclusion = judge_again(content, lineup)
    writer.conclude(conclusion.findings, conclusion.causes)
    writer.seal(complete=True, reason="")
    path.with_suffix(".open").rename(path)


def _moved(poll: Any, turn: int) -> Any:
    """The exchange as it would be so many seconds later. Any: an exchange."""
    ahead = (turn + 10) * SECOND_NS
    return poll._replace(sent_ns=poll.sent_ns + ahead, received_ns=poll.received_ns + ahead, round=turn + 2)


def _healthy_meter(folder: Path) -> tuple[str, list[Any]]:
    """Profile of a practice meter, and what it answered in a healthy run: an anchor, then exchanges."""
    import asyncio

    from probe.collect.agent import audit, prepare
    from probe.collect.inputs import open_lineup
    from probe.model.evidence import Anchor, Exchange
    from probe.model.scope import Scope
    from probe.practice.lineup import practice
    from probe.practice.scenario import bundled_scenario
    from probe.record.content import load
    from probe.record.header import Header
    from probe.record.writer import RecordWriter
    from probe.wire.system_clock import SystemClock

    async def run() -> tuple[str, list[Any]]:
        async with practice(bundled_scenario("healthy"), directory=folder) as practised:
            lineup, _ = open_lineup(practised.map_path)
            meter = next(d for d in lineup.map.devices if d.kind == "meter" and d.address.host)
            scope, clock = Scope(tags=(meter.tag,)), SystemClock()
            header = Header.of(lineup, scope, tool_version="bench", started_wall_ns=clock.wall_ns())
            writer = RecordWriter.create(folder / "one.audit.jsonl", header)
            plan = prepare(lineup, scope)
            await audit(plan, ledger=writer, observers=(), clock=clock, stop=asyncio.Event())
            writer.seal(complete=True, reason="")
        evidence = load(writer.path).evidence
        own = [exchange for _, exchange in evidence[Exchange] if exchange.tag == meter.tag]
        return meter.profile, [evidence[Anchor][0][1], *own]

    return asyncio.run(run())


def _map_text(devices: int, profile: str) -> str:
    head = "format: buswitness-map/1\nsite: Tarn Hollow Water Works\nlineup: MSB-1\n"
    head += "system: {voltage_v: 480, frequency_hz: 60}\ndevices:\n"
    return head + "".join(
        f"  - {{tag: M-{n}, kind: meter, profile: {profile}, section: A, "
        f"address: {{host: 10.{n >> 16}.{n >> 8 & 255}.{n & 255}}}}}\n"
        for n in range(1, devices + 1)
    )


def do(what: str, path: Path) -> None:
    """One measurement in this process; prints one JSON object."""
    began, cpu = time.perf_counter(), time.process_time()
    if what == "sha256":
        with path.open("rb") as file:
            hashlib.file_digest(file, "sha256")
    elif what == "verify":
        from probe.record.verify import verify

        began, cpu = time.perf_counter(), time.process_time()  # imports are not throughput
        assert verify(path).holds
    elif what == "load":
        from probe.record.content import load

        began, cpu = time.perf_counter(), time.process_time()
        load(path)
    else:
        import probe
        from probe.record.content import lineup_of
        from probe.record.large import opened
        from probe.record.rederive import rederive

        began, cpu = time.perf_counter(), time.process_time()
        with opened(path) as content:
            again = rederive(content, lineup_of(content.header), version=probe.__version__)
        assert again.equal, again.differences[:3]
    wall_s, cpu_s = time.perf_counter() - began, time.process_time() - cpu
    print(json.dumps({"wall_s": wall_s, "cpu_s": cpu_s, "peak_mib": peak_mib()}))


def measured(what: str, path: Path, repeats: int) -> dict[str, float]:
    """The least wall time of the repeats, each in a process of its own, and the peak memory."""
    told = in_processes("bench.record", what, path, repeats=repeats, limit_s=LIMIT_S)
    least = {name: min(one[name] for one in told) for name in ("wall_s", "cpu_s")}
    return {**least, "peak_mib": max(one["peak_mib"] for one in told)}


def table(path: Path, works: tuple[tuple[str, str], ...], repeats: int) -> list[str]:
    """Rows of one file: each work against plain SHA-256."""
    size = path.stat().st_size / MIB
    plain = measured("sha256", path, repeats)
    rows = [_row("plain SHA-256 of the file", size, plain, plain)]
    rows += [_row(title, size, measured(what, path, repeats), plain) for what, title in works]
    return rows


def _row(title: str, size: float, one: dict[str, float], plain: dict[str, float]) -> str:
    speed, ratio = size / one["cpu_s"], one["cpu_s"] / plain["cpu_s"]
    times = f"{one['wall_s']:.2f} | {one['cpu_s']:.2f} | {speed:.0f} | {ratio:.1f}"
    return f"| {size:.0f} | {title} | {times} | {one['peak_mib']:.0f} |"


def section(options: argparse.Namespace, command: str) -> str:
    """The section's text, measured now."""
    from probe.record.packed import pack

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        long, lineup = folder / "long.audit.jsonl", folder / "lineup.audit.jsonl"
        write_large(long, options.megabytes)
        rows = table(long, (("verify", "verify"), ("load", "load all of it into memory")), options.repeats)
        packed = folder / "long.audit.jsonl.gz"
        with packed.open("wb") as out:
            pack(long, out, "gz")
        one = measured("verify", packed, 1)
        plain = measured("sha256", long, 1)
        rows.append(_row("verify, gzip copy", options.megabytes, one, plain))
        write_lineup(lineup, options.devices)
        judged = measured("judge", lineup, options.repeats)
        size = lineup.stat().st_size / MIB
        rows.append(
            _row(
                f"judge {options.devices} devices, file to findings",
                size,
                judged,
                measured("sha256", lineup, 3),
            )
        )
        lineup.unlink()
        if options.dwell:
            write_lineup(lineup, options.devices, options.dwell)
            works = (
                ("verify", "verify"),
                ("judge", f"judge {options.devices} devices, {options.dwell} polls each"),
            )
            rows += table(lineup, works, 1)
            lineup.unlink()
        long.unlink()
        packed.unlink()
        if options.large:
            write_large(long, options.large)
            rows += table(long, (("verify", "verify"),), 1)
    return "\n".join(
        [
            BEGIN,
            "",
            "## Records",
            "",
            (
                f"Made by `{command}` on {platform.system()} {platform.machine()}, Python "
                f"{platform.python_version()}; the machine was shared. One exchange of 100 registers a line."
            ),
            "",
            "| MiB | work | wall s | CPU s | MiB/s of CPU | x SHA-256 | peak MiB |",
            "| --- | --- | --- | --- | --- | --- | --- |",
            *rows,
            "",
            (
                f"Budget: {options.devices} devices judged from file to findings in a few seconds: "
                f"{judged['cpu_s']:.1f} s of CPU."
            ),
            "",
            END,
            "",
        ]
    )


def main() -> None:
    """Measure, and write the section."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=int, default=64)
    parser.add_argument("--devices", type=int, default=1000)
    parser.add_argument("--large", type=int, default=0)
    parser.add_argument(
        "--dwell", type=int, default=0, help="polls of each device in a further, large record"
    )
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--output", type=Path, default=HERE / "RESULTS.md")
    parser.add_argument("--do", choices=("sha256", "verify", "load", "judge"), help=argparse.SUPPRESS)
    parser.add_argument("--file", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.do:
        do(options.do, options.file)
        return
    made = section(options, " ".join(["python -m bench.record", *sys.argv[1:]]))
    print(made)
    renew(options.output, made)


if __name__ == "__main__":
    main()
