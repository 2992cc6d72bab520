"""The benchmark's numbers as text, against the budgets of the design."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Numbers = Mapping[str, Mapping[str, Any]]  # by name of the work

BEGIN, END = "<!-- bench.run begins -->", "<!-- bench.run ends -->"
CHAIN_S = 0.005  # reply delay of a simulated device
AUDIT = "audit, uvloop"
FLOOR = "C epoll client"
WALL_LIMITS = {1000: 3.0, 4000: 4.0}
CPU_LIMIT_US = 60.0
HOPED_US = 35.0
MEMORY_LIMIT_MIB = 150.0
SILENT_LIMIT = 1.1
CHAIN_LIMIT = 1.15


def report(
    table: Mapping[int, Numbers], silent: Mapping[int, Mapping[str, Any]], machine: str, command: str
) -> str:
    """Our part of RESULTS.md: what was measured, by which command, and which budgets hold."""
    parts = [
        BEGIN,
        "",
        "# What an audit costs",
        "",
        f"Made by `{command}` on {machine}.",
        "Simulated devices on loopback, 10 blocks of 100 registers each, every reply 5 ms after its request.",
        "An audit is whole: connects, 11 requests a device (one to a unit that nobody should answer for),",
        "strict checks, evidence, hashing, a record in a real file, verdicts. The peers only read.",
        "Least of the repeats; CPU is user and system time of the process, imports and loading left out.",
        "",
        *_costs(table),
        "",
        "## Budgets",
        "",
        "| budget | limit | measured | holds |",
        "| --- | --- | --- | --- |",
        *[_row(*budget) for budget in _budgets(table, silent)],
        "",
        END,
    ]
    return "\n".join(parts)


def placed(section: str, whole: str) -> str:
    """RESULTS.md with our section renewed (or put first), all else as it was."""
    before, begun, rest = whole.partition(BEGIN)
    _, ended, after = rest.partition(END)
    if begun and ended:
        return f"{before}{section}{after}"
    return f"{section}\n\n{whole}" if whole else f"{section}\n"


def _costs(table: Mapping[int, Numbers]) -> list[str]:
    lines = [
        "| devices | work | wall s | x C client | CPU us a transaction | x bare asyncio's | peak MiB |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for count, numbers in table.items():
        for name, one in numbers.items():
            memory = f"{one['peak_mib']:.0f}" if "peak_mib" in one else ""
            wall = one["wall_s"] / numbers[FLOOR]["wall_s"]
            cpu = us(one) / us(numbers["bare asyncio"])
            cells = f"{one['wall_s']:.3f} | {wall:.2f} | {us(one):.1f} | {cpu:.2f} | {memory}"
            lines.append(f"| {count} | {name} | {cells} |")
    return lines


def us(one: Mapping[str, Any]) -> float:
    """CPU microseconds a transaction."""
    return 1e6 * float(one["cpu_s"]) / max(1, int(one["transactions"]))


Budget = tuple[str, float, float, str]  # what, limit, measured, unit


def _budgets(table: Mapping[int, Numbers], silent: Mapping[int, Mapping[str, Any]]) -> list[Budget]:
    budgets: list[Budget] = []
    for count, numbers in table.items():
        audit = numbers[AUDIT]
        if count in WALL_LIMITS:
            ratio = audit["wall_s"] / numbers[FLOOR]["wall_s"]
            budgets.append((f"wall against the C client, {count} devices", WALL_LIMITS[count], ratio, "x"))
        if count <= 100:
            ratio = audit["run_s"] / (audit["transactions"] / count * CHAIN_S)
            what = f"run (file made before, sealed after) against {{}}, {count} devices"
            budgets.append((what.format("one chain of replies of 5 ms"), CHAIN_LIMIT, ratio, "x"))
            # The C client's wall is the slowest device's chain of its ten replies as this machine gave them.
            slowest_s = numbers[FLOOR]["wall_s"] * audit["transactions"] / numbers[FLOOR]["transactions"]
            ratio = audit["run_s"] / slowest_s
            budgets.append((what.format("the slowest chain that the C client saw"), CHAIN_LIMIT, ratio, "x"))
        if count >= 1000:
            budgets.append((f"CPU a transaction, {count} devices", CPU_LIMIT_US, us(audit), "us"))
            budgets.append((f"CPU a transaction, {count} devices (hoped for)", HOPED_US, us(audit), "us"))
            ratio = us(audit) / us(numbers["bare asyncio"])
            budgets.append((f"CPU against bare asyncio, {count} devices", 1.5, ratio, "x"))
        if count >= 4000:
            budgets.append((f"peak memory, {count} devices", MEMORY_LIMIT_MIB, audit["peak_mib"], "MiB"))
    for count, one in silent.items():
        ratio = one["wall_s"] / one["budget_s"]
        budgets.append((f"5 in 100 silent, {count} devices, against one's budget", SILENT_LIMIT, ratio, "x"))
    return budgets


def _row(what: str, limit: float, measured: float, unit: str) -> str:
    return f"| {what} | {limit:g} {unit} | {measured:.2f} {unit} | {'yes' if measured <= limit else 'NO'} |"
