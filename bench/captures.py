"""Speed of reading captures against a tuned C loop, scapy, dpkt and numpy: python -m bench.captures

    python -m bench.captures [--packets 1000000] [--long 10000000] [--repeats 5] [--output bench/RESULTS.md]

Every measurement runs in a process of its own; the least CPU time of the repeats counts, because the machine
is shared. The peers match requests to answers and take the median; ours counts all that ``capture read``
shows. Slow peers get fewer packets.
"""

from __future__ import annotations

import argparse
import platform
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent
BEGIN, END = "<!-- bench.captures begins -->", "<!-- bench.captures ends -->"
PEERS = HERE / "peers"
LIMITS = {"numpy": 10**9, "pure": 10**9, "scapy raw": 200_000, "dpkt": 100_000, "scapy full": 5_000}


class Cost(NamedTuple):
    """Of one process: wall and CPU seconds, MiB at its peak, what it printed."""

    wall_s: float
    cpu_s: float
    peak_mib: float
    said: str


def cost(command: list[str]) -> Cost:
    """Run it once."""
    script = (
        "import resource,subprocess,sys,time;t=time.perf_counter();"
        "p=subprocess.run(sys.argv[1:],stdout=subprocess.PIPE,check=True);w=time.perf_counter()-t;"
        "u=resource.getrusage(resource.RUSAGE_CHILDREN);"
        "print(w,u.ru_utime+u.ru_stime,u.ru_maxrss/1024);print(p.stdout[:400].decode('latin-1'))"
    )
    out = subprocess.run([sys.executable, "-c", script, *command], check=True, capture_output=True, text=True)
    first, _, rest = out.stdout.partition("\n")
    wall, cpu, peak = map(float, first.split())
    return Cost(wall, cpu, peak, rest.strip())


def least(command: list[str], repeats: int) -> Cost:
    """The run with the least CPU time."""
    return min((cost(command) for _ in range(repeats)), key=lambda one: one.cpu_s)


READ_ALONE = (
    "import sys,time;from pathlib import Path;from probe.wire.capture import engine,reading;"
    "engine._compiled();t=time.process_time();f=reading.read_capture(Path(sys.argv[1]));"
    "print(f.packets,f.totals['matched'],f.reply.median_ns/1e6,time.process_time()-t)"
)


def build(folder: Path) -> tuple[str, str]:
    """The C peers."""
    made = []
    for name, flags in (("capture_loop", ["-march=native"]), ("capture_native", ["-w"])):
        out = folder / name
        subprocess.run(["gcc", "-O3", *flags, "-o", str(out), str(PEERS / f"{name}.c")], check=True)
        made.append(str(out))
    return made[0], made[1]


def own(path: Path, repeats: int) -> tuple[float, float, Cost]:
    """CPU seconds of reading alone, the peak of that process in MiB, and the whole worker process."""
    alone = [cost([sys.executable, "-c", READ_ALONE, str(path)]) for _ in range(repeats)]
    reading = min(float(one.said.split()[3]) for one in alone)
    worker = least([sys.executable, "-m", "probe.wire.capture.worker", str(path), "502"], repeats)
    return reading, max(one.peak_mib for one in alone), worker


def speeds(path: Path, packets: int, loop: str, native: str, repeats: int) -> list[str]:
    """Rows of the table."""
    base = least([loop, "read", str(path)], repeats)
    c_ns = base.cpu_s / packets * 1e9
    reading, peak, worker = own(path, repeats)
    rows = [
        row("tuned C loop (matches, percentiles)", packets, base.cpu_s, c_ns, base.peak_mib),
        row("**capture read**, everything counted", packets, reading, c_ns, peak),
        row("the same with the start of its process", packets, worker.cpu_s, c_ns, worker.peak_mib),
    ]
    bare = least([native, str(path)], repeats)
    rows.append(row("our kernel compiled for this computer", packets, bare.cpu_s, c_ns, bare.peak_mib))
    for way, most in LIMITS.items():
        many = min(packets, most)
        command = [sys.executable, str(PEERS / "capture_libraries.py"), way, str(path), str(many)]
        runs = [cost(command) for _ in range(2)]
        cpu = min(float(one.said.split()[3]) for one in runs)
        rows.append(row(way, many, cpu, c_ns, max(one.peak_mib for one in runs)))
    return rows


def row(name: str, packets: int, cpu_s: float, c_ns: float, peak: float) -> str:
    """One line of the table."""
    ns = cpu_s / packets * 1e9
    return f"| {name} | {packets:,} | {ns:,.0f} | {1e3 / ns:.3g} | {ns / c_ns:.1f} | {peak:.0f} |"


def parallel(folder: Path, files: int) -> list[str]:
    """A folder of captures with one worker and with two."""
    rows = []
    for workers in (1, 2):
        command = [
            sys.executable,
            "-m",
            "probe",
            "capture",
            "read",
            str(folder),
            "--json",
            "--workers",
            str(workers),
        ]
        began = time.perf_counter()
        subprocess.run(command, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wall = time.perf_counter() - began
        rows.append(f"| {files} files, {workers} at a time | {wall:.2f} |")
    return rows


def section(packets: int, long: int, repeats: int) -> str:
    """The whole section of RESULTS.md."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        loop, native = build(folder)
        path = folder / "bench.pcap"
        subprocess.run([loop, "make", str(packets), str(path)], check=True)
        table = speeds(path, packets, loop, native, repeats)
        few = own(path, repeats)
        path.unlink()
        lines = [f"| {packets:,} | {few[0]:.3f} | {few[0] / packets * 1e9:.0f} | {few[1]:.0f} |"]
        subprocess.run([loop, "make", str(long), str(path)], check=True)
        many = own(path, 2)
        c_many = least([loop, "read", str(path)], 3).cpu_s
        lines.append(f"| {long:,} | {many[0]:.3f} | {many[0] / long * 1e9:.0f} | {many[1]:.0f} |")
        path.unlink()
        several = folder / "several"
        several.mkdir()
        for number in range(4):
            subprocess.run([loop, "make", str(packets), str(several / f"{number}.pcap")], check=True)
        both = parallel(several, 4)
    how = (
        f"Made by `python -m bench.captures --packets {packets} --long {long}` on {platform.system()} "
        f"{platform.machine()}, Python {platform.python_version()}; the machine was shared. "
        "Packets of 98 bytes, 100 devices polled in turn. CPU time, least of the repeats; the peers "
        "only match requests to answers."
    )
    return "\n".join(
        [
            BEGIN,
            "",
            "## Captures",
            "",
            how,
            "",
            "| way | packets | ns a packet | million packets/s | x C loop | peak MiB |",
            "| --- | --- | --- | --- | --- | --- |",
            *table,
            "",
            f"Against the C loop over {long:,} packets: {many[0] / c_many:.1f} times.",
            "",
            "| packets | CPU s, reading alone | ns a packet | peak MiB |",
            "| --- | --- | --- | --- |",
            *lines,
            "",
            "| a folder, each file as long as above | wall s |",
            "| --- | --- |",
            *both,
            "",
            END,
            "",
        ]
    )


def main() -> None:
    """Measure, and renew the own section of the results."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packets", type=int, default=1_000_000)
    parser.add_argument("--long", type=int, default=10_000_000)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--output", type=Path, default=HERE / "RESULTS.md")
    chosen = parser.parse_args()
    made = section(chosen.packets, chosen.long, chosen.repeats)
    print(made)
    text = chosen.output.read_text("utf-8") if chosen.output.exists() else ""
    if BEGIN in text:
        head, _, rest = text.partition(BEGIN)
        text = head + made + rest.partition(END)[2].lstrip("\n")
    else:
        text = text.rstrip("\n") + "\n\n" + made
    chosen.output.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
