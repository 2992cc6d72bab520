"""What is asked of switches and supplies by SNMP: each object with its identifier and its document.

Collector and judge share this list: the one asks for it, the other finds by it. Names are those of the
MIBs. Identifiers of IF-MIB, EtherLike-MIB, BRIDGE-MIB and UPS-MIB were held against published copies of these
modules; tests ask independent agents for IF-MIB and LLDP-MIB; the rest is from memory.
"""

from __future__ import annotations

from typing import NamedTuple

from probe.model.snmp_values import Oid, oid_of


class Object(NamedTuple):
    """A scalar (asked with .0) or a column of a table."""

    name: str
    oid: Oid
    source: str


class Group(NamedTuple):
    """Objects that are asked together.

    scalars: by one GET. columns: walked one by one; if the first has no rows, the agent lacks the table and
    the others are not asked. twice: those asked again after the dwell. for_ups: asked of supplies, not of
    switches.
    """

    name: str
    scalars: tuple[Object, ...] = ()
    columns: tuple[Object, ...] = ()
    twice: frozenset[str] = frozenset()
    for_ups: bool = False


def _objects(source: str, base: str, **parts: str) -> tuple[Object, ...]:
    return tuple(Object(name, oid_of(f"{base}.{part}"), source) for name, part in parts.items())


_SYSTEM = "RFC 3418 (SNMPv2-MIB)"
_ENGINE = "RFC 3411, 5 (SNMP-FRAMEWORK-MIB)"
_IF = "RFC 2863 (IF-MIB)"
_ETHER = "RFC 3635 (EtherLike-MIB)"
_BRIDGE = "RFC 4188 (BRIDGE-MIB)"
_QBRIDGE = "RFC 4363 (Q-BRIDGE-MIB)"
_LLDP = "IEEE 802.1AB (LLDP-MIB)"
_SENSOR = "RFC 3433 (ENTITY-SENSOR-MIB)"
_ENTITY = "RFC 6933 (ENTITY-MIB)"
_POE = "RFC 3621 (POWER-ETHERNET-MIB)"
_UPS = "RFC 1628 (UPS-MIB)"

UPTIME = "sysUpTime"

GROUPS: tuple[Group, ...] = (
    Group(
        "system",
        scalars=_objects(_SYSTEM, "1.3.6.1.2.1.1", sysDescr="1", sysObjectID="2", sysUpTime="3", sysName="5")
        + _objects(_ENGINE, "1.3.6.1.6.3.10.2.1", snmpEngineID="1", snmpEngineBoots="2", snmpEngineTime="3"),
        twice=frozenset({UPTIME, "snmpEngineBoots"}),
    ),
    Group(
        "interfaces",
        columns=_objects(
            _IF,
            "1.3.6.1.2.1.2.2.1",
            ifDescr="2",
            ifType="3",
            ifSpeed="5",
            ifPhysAddress="6",
            ifAdminStatus="7",
            ifOperStatus="8",
            ifLastChange="9",
            ifInOctets="10",
            ifInDiscards="13",
            ifInErrors="14",
            ifOutOctets="16",
            ifOutDiscards="19",
            ifOutErrors="20",
        ),
        twice=frozenset(
            {"ifOperStatus", "ifLastChange", "ifInOctets", "ifInDiscards", "ifInErrors", "ifOutOctets"}
            | {"ifOutDiscards", "ifOutErrors"}
        ),
    ),
    Group(
        "interfaces, more",
        columns=_objects(
            _IF,
            "1.3.6.1.2.1.31.1.1.1",
            ifName="1",
            ifHCInOctets="6",
            ifHCInUcastPkts="7",
            ifHCInMulticastPkts="8",
            ifHCInBroadcastPkts="9",
            ifHCOutOctets="10",
            ifHCOutUcastPkts="11",
            ifHighSpeed="15",
            ifAlias="18",
            ifCounterDiscontinuityTime="19",
        ),
        twice=frozenset(
            {"ifHCInOctets", "ifHCInUcastPkts", "ifHCInMulticastPkts", "ifHCInBroadcastPkts"}
            | {"ifHCOutOctets", "ifHCOutUcastPkts", "ifCounterDiscontinuityTime"}
        ),
    ),
    Group(
        "Ethernet",
        columns=_objects(
            _ETHER,
            "1.3.6.1.2.1.10.7.2.1",
            dot3StatsAlignmentErrors="2",
            dot3StatsFCSErrors="3",
            dot3StatsLateCollisions="8",
            dot3StatsDuplexStatus="19",
        ),
        twice=frozenset({"dot3StatsAlignmentErrors", "dot3StatsFCSErrors", "dot3StatsLateCollisions"}),
    ),
    Group(
        "bridge",
        scalars=_objects(
            _BRIDGE,
            "1.3.6.1.2.1.17",
            dot1dBaseBridgeAddress="1.1",
            dot1dStpProtocolSpecification="2.1",
            dot1dStpPriority="2.2",
            dot1dStpTimeSinceTopologyChange="2.3",
            dot1dStpTopChanges="2.4",
            dot1dStpDesignatedRoot="2.5",
            dot1dStpRootCost="2.6",
            dot1dStpRootPort="2.7",
            dot1dStpMaxAge="2.8",
            dot1dStpHelloTime="2.9",
            dot1dStpForwardDelay="2.11",
        ),
        columns=_objects(_BRIDGE, "1.3.6.1.2.1.17", dot1dBasePortIfIndex="1.4.1.2"),
        twice=frozenset({"dot1dStpTopChanges", "dot1dStpTimeSinceTopologyChange", "dot1dStpRootPort"}),
    ),
    Group(
        "spanning tree",
        columns=_objects(
            _BRIDGE,
            "1.3.6.1.2.1.17.2.15.1",
            dot1dStpPortState="3",
            dot1dStpPortDesignatedBridge="8",
        ),
        twice=frozenset({"dot1dStpPortState"}),
    ),
    Group("forwarding", columns=_objects(_BRIDGE, "1.3.6.1.2.1.17.4.3.1", dot1dTpFdbPort="2")),
    Group("forwarding by VLAN", columns=_objects(_QBRIDGE, "1.3.6.1.2.1.17.7.1.2.2.1", dot1qTpFdbPort="2")),
    Group(
        "LLDP, own",
        scalars=_objects(
            _LLDP, "1.0.8802.1.1.2.1.3", lldpLocChassisIdSubtype="1", lldpLocChassisId="2", lldpLocSysName="3"
        ),
        columns=_objects(
            _LLDP, "1.0.8802.1.1.2.1.3.7.1", lldpLocPortId="3", lldpLocPortIdSubtype="2", lldpLocPortDesc="4"
        ),
    ),
    Group(
        "LLDP, neighbours",
        columns=_objects(
            _LLDP,
            "1.0.8802.1.1.2.1.4.1.1",
            lldpRemChassisId="5",
            lldpRemChassisIdSubtype="4",
            lldpRemPortIdSubtype="6",
            lldpRemPortId="7",
            lldpRemPortDesc="8",
            lldpRemSysName="9",
        ),
    ),
    Group(
        "sensors",
        columns=_objects(
            _SENSOR,
            "1.3.6.1.2.1.99.1.1.1",
            entPhySensorType="1",
            entPhySensorScale="2",
            entPhySensorPrecision="3",
            entPhySensorValue="4",
            entPhySensorOperStatus="5",
        )
        + _objects(_ENTITY, "1.3.6.1.2.1.47.1.1.1.1", entPhysicalDescr="2", entPhysicalName="7"),
    ),
    Group(
        "power over Ethernet",
        columns=_objects(
            _POE,
            "1.3.6.1.2.1.105.1.3.1.1",
            pethMainPsePower="2",
            pethMainPseOperStatus="3",
            pethMainPseConsumptionPower="4",
            pethMainPseUsageThreshold="5",
        ),
    ),
    Group(
        "UPS",
        scalars=_objects(
            _UPS,
            "1.3.6.1.2.1.33.1",
            upsIdentManufacturer="1.1",
            upsIdentModel="1.2",
            upsBatteryStatus="2.1",
            upsSecondsOnBattery="2.2",
            upsEstimatedMinutesRemaining="2.3",
            upsEstimatedChargeRemaining="2.4",
            upsBatteryTemperature="2.7",
            upsInputLineBads="3.1",
            upsOutputSource="4.1",
            upsAlarmsPresent="6.1",
            upsTestResultsSummary="7.3",
            upsConfigLowBattTime="9.7",
        ),
        for_ups=True,
    ),
    Group(
        "UPS output",
        columns=_objects(_UPS, "1.3.6.1.2.1.33.1.4.4.1", upsOutputPercentLoad="5"),
        for_ups=True,
    ),
    Group("UPS alarms", columns=_objects(_UPS, "1.3.6.1.2.1.33.1.6.2.1", upsAlarmDescr="2"), for_ups=True),
)

BY_NAME: dict[str, Object] = {one.name: one for group in GROUPS for one in (*group.scalars, *group.columns)}
SCALARS: dict[Oid, str] = {(*one.oid, 0): one.name for group in GROUPS for one in group.scalars}
