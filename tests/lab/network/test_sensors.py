"""Temperature, fans, supplies and power over Ethernet by SNMP: snmpd tells the tables by ``override``."""

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
from probe.judge.network.sensors import Sensor, sensors
from probe.judge.network.switch_view import SwitchView
from probe.model.device_map import Device
from probe.model.evidence import Evidence
from probe.model.snmp_evidence import SnmpAnswer
from probe.wire.snmp import Manner
from probe.wire.system_clock import SystemClock

SECRET = {"BUSWITNESS_SNMP_COMMUNITY": "tarn-hollow-reads"}

#: Type, scale, precision, value, state and name of three sensors: 41.5 °C, 3,300 rpm, 24.1 V DC.
#: Source: RFC 3433 (ENTITY-SENSOR-MIB), RFC 6933 (entPhysicalName), from memory.
SENSORS = {
    1: (8, 9, 1, 415, 1, "Board"),
    2: (10, 9, 0, 3300, 1, "Fan 1"),
    3: (4, 8, 0, 24100, 1, "Supply A"),
}
#: Watts, state (1: on) and consumption of a main supply. Source: RFC 3621 (POWER-ETHERNET-MIB), from memory.
POWER = (120, 1, 37)


def _rows() -> Iterator[str]:
    for index, (kind, scale, precision, value, state, name) in SENSORS.items():
        for column, number in enumerate((kind, scale, precision, value, state), start=1):
            yield f"override .1.3.6.1.2.1.99.1.1.1.{column}.{index} integer {number}"
        yield f'override .1.3.6.1.2.1.47.1.1.1.1.7.{index} octet_str "{name}"'
    for column, number in zip((2, 3, 4), POWER, strict=True):
        kind = "integer" if column == 3 else "uinteger"
        yield f"override .1.3.6.1.2.1.105.1.3.1.1.{column}.1 {kind} {number}"


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    path = shutil.which("snmpd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if path is None:
        pytest.skip("snmpd is not installed (Debian package snmpd)")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        trial.bind(("127.0.0.1", 0))
        number = int(trial.getsockname()[1])
    head = [f"agentaddress udp:127.0.0.1:{number}", "rocommunity tarn-hollow-reads 127.0.0.1"]
    conf = tmp_path / "snmpd.conf"
    conf.write_text("\n".join([*head, *_rows(), ""]))
    process = subprocess.Popen(
        (path, "-f", "-Lf", "/dev/null", "-C", "-c", conf, "-p", tmp_path / "pid"),
        env={**os.environ, "SNMP_PERSISTENT_DIR": str(tmp_path / "state"), "MIBS": ""},
    )
    yield number
    process.terminate()
    process.wait(10)


async def view_of(port: int) -> SwitchView:
    told = {
        "tag": "SW-1",
        "kind": "switch",
        "profile": "managed-switch",
        "section": "A",
        "address": {"host": "127.0.0.1"},
        "snmp": {"port": port},
    }
    device = Device.model_validate(told)
    assert device.snmp is not None
    kept: list[Evidence] = []
    manner = Manner(timeout_s=1.0)
    means = Means(SystemClock(), kept.append, asyncio.Event(), 0.1, manner, SECRET, lambda name: None)
    await ask_switches([Asked(device, device.snmp)], means)
    return SwitchView("SW-1", [(n, one) for n, one in enumerate(kept) if isinstance(one, SnmpAnswer)])


async def test_sensors_and_power_of_a_real_agent(port: int) -> None:
    end = time.monotonic() + 40
    view = await view_of(port)
    while not list(sensors(view)) and time.monotonic() < end:
        view = await view_of(port)
    assert list(sensors(view)) == [
        Sensor("Board", 8, 41.5, 0.1, "°C", 1),
        Sensor("Fan 1", 10, 3300, 1.0, "rpm", 1),
        Sensor("Supply A", 4, 24.1, 0.001, "V DC", 1),
    ]
    assert list(view.numbers("pethMainPsePower").values()) == [120]
    assert list(view.numbers("pethMainPseConsumptionPower").values()) == [37]
