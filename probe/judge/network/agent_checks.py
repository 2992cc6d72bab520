"""All checks on switches, their links and supplies, in the order in which they are shown."""

from __future__ import annotations

from probe.judge.check import DeviceCheck, LineupCheck
from probe.judge.network import (
    failover,
    links,
    sensors,
    spanning_tree,
    switch_ports,
    switch_traffic,
    ups,
)

AGENT_CHECKS: tuple[LineupCheck, ...] = (
    *switch_ports.CHECKS,
    *switch_traffic.CHECKS,
    *spanning_tree.CHECKS,
    *sensors.CHECKS,
    *ups.LINEUP_CHECKS,
    *links.CHECKS,
    *failover.CHECKS,
)
SUPPLY_CHECKS: tuple[DeviceCheck, ...] = ups.DEVICE_CHECKS
