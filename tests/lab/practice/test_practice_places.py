"""Where the practice lineup listens: ports from a base, IPv6 loopback, a port that is taken."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

import pytest

from probe.collect.inputs import open_lineup
from probe.practice.fault import Fault
from probe.practice.lineup import practice
from probe.practice.scenario import small_scenario


def free_run(count: int) -> int:
    """A port with so many free ones from it on, as far as can be told."""
    for base in range(42_000, 60_000, 97):
        try:
            for port in range(base, base + count):
                with socket.socket() as trial:
                    trial.bind(("127.0.0.1", port))
        except OSError:
            continue
        return base
    pytest.skip("no run of free ports on this computer")


async def test_ports_count_up_from_a_base(tmp_path: Path) -> None:
    base = free_run(3)
    scenario = small_scenario(["52-F1", "52-F2", "MC-1"], [Fault(kind="dead", at="52-F2")])
    async with practice(scenario, directory=tmp_path, base_port=base) as lineup:
        assert sorted(lineup.ports.values()) == [base, base + 1, base + 2]


async def test_it_listens_on_ipv6_loopback_too(tmp_path: Path) -> None:
    try:
        with socket.socket(socket.AF_INET6) as trial:
            trial.bind(("::1", 0))
    except OSError:
        pytest.skip("this computer has no IPv6 loopback")
    async with practice(small_scenario(["52-F1"]), host="::1", directory=tmp_path) as lineup:
        drawn, warnings = open_lineup(lineup.map_path)
        assert not warnings
        target = drawn.map.target("52-F1")
        assert target.link == f"[::1]:{lineup.ports['52-F1']}"
        _, writer = await asyncio.open_connection("::1", target.port)
        writer.close()


async def test_a_taken_port_is_told_and_nothing_stays_open(tmp_path: Path) -> None:
    base = free_run(2)
    before = asyncio.all_tasks()
    with socket.socket() as other:
        other.bind(("127.0.0.1", base + 1))
        other.listen()
        with pytest.raises(OSError, match="52-F2 cannot be listened to"):
            async with practice(small_scenario(["52-F1", "52-F2"]), directory=tmp_path, base_port=base):
                pass
    with socket.socket() as client, pytest.raises(ConnectionRefusedError):
        client.connect(("127.0.0.1", base))
    assert asyncio.all_tasks() == before


async def test_only_loopback_is_ever_listened_to(tmp_path: Path) -> None:
    async with practice(small_scenario(["52-F1", "MC-1"]), directory=tmp_path) as lineup:
        assert "0.0.0.0" not in lineup.map_path.read_text("utf-8")
        drawn, _ = open_lineup(lineup.map_path)
        assert {drawn.map.target(tag).host for tag in drawn.map.by_tag} == {"127.0.0.1"}
