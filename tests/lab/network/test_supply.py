"""A UPS by SNMP: snmpd that tells the UPS-MIB by its ``override`` directives, on loopback."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from probe.collect.survey.switches import Asked, Means, ask_switches
from probe.judge.network.switch_view import SwitchView
from probe.judge.network.ups_state import TestResult, UpsState, from_snmp
from probe.model.device_map import Device
from probe.model.evidence import Evidence
from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome
from probe.wire.snmp import Manner
from probe.wire.system_clock import SystemClock

#: Suffixes and values. Source: RFC 1628 (UPS-MIB): on battery for 75 s, 12 min and 81 % left, test failed.
TOLD = {
    "2.1.0": 2,
    "2.2.0": 75,
    "2.3.0": 12,
    "2.4.0": 81,
    "4.1.0": 5,
    "6.1.0": 1,
    "7.3.0": 3,
}


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    path = shutil.which("snmpd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if path is None:
        pytest.skip("snmpd is not installed (Debian package snmpd)")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        trial.bind(("127.0.0.1", 0))
        number = int(trial.getsockname()[1])
    conf = tmp_path / "snmpd.conf"
    rows = [f"override .1.3.6.1.2.1.33.1.{suffix} integer {value}" for suffix, value in TOLD.items()]
    conf.write_text(
        "\n".join(
            [f"agentaddress udp:127.0.0.1:{number}", "rocommunity tarn-hollow-reads 127.0.0.1", *rows, ""]
        )
    )
    process = subprocess.Popen(
        (path, "-f", "-Lf", "/dev/null", "-C", "-c", conf, "-p", tmp_path / "pid"),
        env={**os.environ, "SNMP_PERSISTENT_DIR": str(tmp_path / "state"), "MIBS": ""},
    )
    yield number
    process.terminate()
    process.wait(10)


def supply(port: int) -> Asked:
    device = Device.model_validate(
        {
            "tag": "UPS-1",
            "kind": "ups",
            "profile": "small-ups",
            "section": "A",
            "address": {"host": "127.0.0.1"},
            "snmp": {"port": port},
        }
    )
    assert device.snmp is not None
    return Asked(device, device.snmp)


async def state_of(port: int, environment: dict[str, str]) -> tuple[UpsState, list[Evidence]]:
    kept: list[Evidence] = []
    means = Means(
        SystemClock(),
        kept.append,
        asyncio.Event(),
        0.1,
        Manner(timeout_s=1.0),
        environment,
        lambda name: None,
    )
    await ask_switches([supply(port)], means)
    answers = [(n, one) for n, one in enumerate(kept) if isinstance(one, SnmpAnswer)]
    return from_snmp(SwitchView("UPS-1", answers)), kept


async def test_a_supply_on_its_battery_is_seen_as_that(port: int) -> None:
    end = time.monotonic() + 30
    secret = {"BUSWITNESS_SNMP_COMMUNITY": "tarn-hollow-reads"}
    state, kept = await state_of(port, secret)
    while state.on_battery is None and time.monotonic() < end:
        state, kept = await state_of(port, secret)
    assert state.on_battery is True
    assert state.source == "battery"
    assert state.charge is not None
    assert state.charge.middle == 81
    assert state.minutes is not None
    assert state.minutes.middle == 12
    assert state.test is TestResult.FAILED
    assert state.alarms == 1
    assert not any("ifOperStatus" in one.object for one in kept if isinstance(one, SnmpAnswer))


async def test_without_its_secret_nothing_is_sent(port: int) -> None:
    state, kept = await state_of(port, {})
    assert state.on_battery is None
    (one,) = kept
    assert isinstance(one, SnmpAnswer)
    assert one.outcome is SnmpOutcome.NO_SECRET
    assert "BUSWITNESS_SNMP_COMMUNITY is not set" in one.detail
