"""Lint of addresses: two devices cannot answer at one place, and hardware addresses are unique.

Same host and port with different unit numbers is legal: one server may speak for several units. If none
of them is a gateway of this map it is a warning, because the tool then cannot tell a dead gateway from a
dozen dead devices.
"""

from __future__ import annotations

import ipaddress
import re
from collections import defaultdict
from collections.abc import Iterator

from probe.model.device_map import Address, Device, Kind, SerialLine
from probe.model.document import Path
from probe.model.errors import Problem
from probe.model.evidence import Framing
from probe.model.map_draft import Draft, Placed
from probe.model.nearest import did_you_mean
from probe.model.surroundings import Surroundings

_DOTTED = re.compile(r"[0-9.]+")


def host_key(host: str) -> str:
    """The host so that equal ones compare equal: an IP address in its short form, names in lower case."""
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        return host.lower().rstrip(".")


def gateway_of(draft: Draft, device: Device) -> Placed[Device] | None:
    """The gateway behind which the device sits, None if it has none or the map does not hold it."""
    via = device.address.via
    return draft.by_tag.get(via) if via is not None else None


def line_of(draft: Draft, device: Device) -> tuple[str, str] | None:
    """Name of the link that leads to the device (``host:port`` or serial port), None if it is not known."""
    address: Address = device.address
    if address.via is not None:
        gateway = gateway_of(draft, device)
        if gateway is None or gateway.item.address.via is not None:
            return None
        address = gateway.item.address
    if address.serial is not None:
        return ("serial port", address.serial.port)
    return ("host", f"{host_key(address.host or '')} port {address.port}")


def duplicate_unit(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """Two devices with the same link and unit, directly or behind one gateway."""
    first: dict[tuple[tuple[str, str], int], Placed[Device]] = {}
    for placed in draft.devices:
        line = line_of(draft, placed.item)
        if line is None:
            continue
        unit = placed.item.address.unit
        other = first.setdefault((line, unit), placed)
        if other is placed:
            continue
        via = placed.item.address.via
        where = f"behind gateway {via}" if via else f"at {line[0]} {line[1]}"
        yield placed.problem(
            _address_path(placed.item),
            f"{placed.item.tag} and {other.item.tag} have the same address: unit {unit} {where}",
            found=f"unit {unit}, also at {other.place(_address_path(other.item))}",
            allowed="each unit once on a link",
            remedy="read the address off the device; one of the two is wrong",
        )


def _address_path(device: Device) -> Path:
    set_fields = device.address.model_fields_set
    name = "unit" if "unit" in set_fields else "host"
    return ("address", name)


def shared_host(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """Several devices at one host and port that do not say which gateway they sit behind."""
    by_line: dict[tuple[str, str], list[Placed[Device]]] = defaultdict(list)
    for placed in draft.devices:
        line = line_of(draft, placed.item)
        if placed.item.address.host is not None and line is not None:
            by_line[line].append(placed)
    for (_, name), group in by_line.items():
        gateways = [placed for placed in group if placed.item.kind is Kind.GATEWAY]
        others = [placed for placed in group if placed.item.kind is not Kind.GATEWAY]
        if gateways and others:
            yield from (_should_be_via(placed, gateways[0]) for placed in others)
        elif len(others) > 1 and len({placed.item.address.unit for placed in others}) > 1:
            tags = ", ".join(placed.item.tag for placed in others[:6])
            yield others[1].problem(
                ("address", "host"),
                f"{len(others)} devices answer at {name}, and the map names no gateway there",
                found=tags + (", ..." if len(others) > 6 else ""),
                remedy="if it is a gateway, list it with kind gateway and give these `via: ITS-TAG`",
                severity="warning",
            )


def _should_be_via(placed: Placed[Device], gateway: Placed[Device]) -> Problem:
    tag = gateway.item.tag
    return placed.problem(
        ("address", "host"),
        f"{placed.item.tag} has the host of gateway {tag}",
        found=f"{placed.item.address.host}, also at {gateway.place(('address', 'host'))}",
        remedy=f"write `via: {tag}` instead of host and port, to tell a dead gateway from a dead device",
        severity="warning",
    )


def duplicate_hardware_address(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """The same hardware address twice (units at one host share their host's)."""
    first: dict[str, Placed[Device]] = {}
    for placed in draft.devices:
        address = placed.item.hardware_address
        if address is None:
            continue
        other = first.setdefault(address, placed)
        if other is placed or _same_host(placed.item, other.item):
            continue
        remedy = "read it off the device's label; one of the two is wrong"
        if placed.item.address.via is not None:
            remedy = "a device behind a gateway has no hardware address of its own: remove the line"
        yield placed.problem(
            ("hardware_address",),
            f"{placed.item.tag} and {other.item.tag} have the same hardware address",
            found=f"{address}, also at {other.place(('hardware_address',))}",
            allowed="each hardware address once",
            remedy=remedy,
        )


def _same_host(one: Device, other: Device) -> bool:
    hosts = [device.address.host for device in (one, other)]
    return None not in hosts and host_key(hosts[0] or "") == host_key(hosts[1] or "")


def impossible_hardware_address(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A hardware address that no device can have: all zeros, or one of a group.

    IEEE 802: the least significant bit of the first octet marks a group address; from memory.
    """
    for placed in draft.devices:
        address = placed.item.hardware_address
        if address is None:
            continue
        if int(address[:2], 16) & 1 or set(address) <= {"0", ":"}:
            yield placed.problem(
                ("hardware_address",),
                f"{placed.item.tag} cannot have this hardware address: it is a group's, or empty",
                found=address,
                allowed="an address of one device: the first pair is even, not all zeros",
                remedy="read it off the device's label",
            )


def malformed_host(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A host that was meant as an IP address and is none, or that no device can have."""
    for placed in draft.devices:
        host = placed.item.address.host
        if host is None:
            continue
        fault = _host_fault(host)
        if fault is not None:
            what, remedy = fault
            allowed = "an IP address such as 10.20.1.11, or a host name"
            yield placed.problem(("address", "host"), what, found=host, allowed=allowed, remedy=remedy)


def _host_fault(host: str) -> tuple[str, str] | None:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return _text_fault(host)
    if address.is_unspecified or address.is_multicast or host == "255.255.255.255":
        return "no device can have this address", "read it off the device"
    return None


def _text_fault(host: str) -> tuple[str, str] | None:
    """What is wrong with a host that is no IP address; None for a plain host name."""
    name, colon, port = host.rpartition(":")
    if colon and port.isdigit() and ":" not in name:
        return "the port stands in the host", f"write `host: {name}` and `port: {port}`"
    if colon:
        return "host is not a valid IP address", ""
    if _DOTTED.fullmatch(host):
        parts = host.split(".")
        plain = ".".join(str(int(part)) for part in parts if part)
        padded = len(parts) == 4 and all(part and int(part) <= 255 for part in parts)
        return "host is not a valid IP address", f"write it without leading zeros: {plain}" if padded else ""
    if any(
        not label or label.startswith("-") or label.endswith("-") for label in host.rstrip(".").split(".")
    ):
        return "host is not a valid host name", ""
    return None


def broken_via(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """``via`` that names no gateway, itself, or a gateway that sits behind another."""
    gateways = [placed.item.tag for placed in draft.devices if placed.item.kind is Kind.GATEWAY]
    for placed in draft.devices:
        device = placed.item
        via = device.address.via
        if via is None:
            continue
        gateway = draft.by_tag.get(via)
        path: Path = ("address", "via")
        if via not in draft.tags:
            remedy = did_you_mean(via, gateways) or "list the gateway as a device of kind gateway"
            yield placed.problem(
                path, f"{device.tag} sits behind {via}, which is not in the map", found=via, remedy=remedy
            )
        elif via == device.tag:
            yield placed.problem(path, f"{device.tag} sits behind itself", found=via, remedy="give its host")
        elif gateway is not None and gateway.item.kind is not Kind.GATEWAY:
            what = f"{device.tag} sits behind {via}, which is no gateway"
            found = f"{via}, kind {gateway.item.kind.value}"
            remedy = did_you_mean(via, gateways) or "correct the tag, or the kind of the device it names"
            yield placed.problem(path, what, found=found, allowed="the tag of a gateway", remedy=remedy)
        elif gateway is not None and gateway.item.address.via is not None:
            what = f"{device.tag} sits behind {via}, which itself sits behind {gateway.item.address.via}"
            yield placed.problem(path, what, found=via, allowed="one gateway between the tool and a device")


def rtu_unit(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A unit outside 1 to 247 where RTU frames are used.

    Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 2.2 (addresses 1 to 247).
    """
    for placed in draft.devices:
        address = placed.item.address
        if address.framing is Framing.RTU and not 1 <= address.unit <= 247:
            where: Path = ("address", "unit" if "unit" in address.model_fields_set else "framing")
            what = f"{placed.item.tag} is spoken to in RTU frames and needs a serial unit"
            allowed = "a whole number from 1 to 247"
            yield placed.problem(where, what, found=f"unit {address.unit}", allowed=allowed)


def serial_settings(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """One serial port with two different settings."""
    first: dict[str, tuple[SerialLine, Placed[Device]]] = {}
    for placed in draft.devices:
        serial = placed.item.address.serial
        if serial is None:
            continue
        settings, other = first.setdefault(serial.port, (serial, placed))
        if settings != serial:
            yield placed.problem(
                ("address", "serial"),
                f"{placed.item.tag} and {other.item.tag} set the serial port {serial.port} differently",
                found=f"{_settings(serial)}; {_settings(settings)} at {other.place(('address', 'serial'))}",
                allowed="one baud rate, parity and number of stop bits on a line",
            )


def _settings(line: SerialLine) -> str:
    return f"{line.baud} baud, parity {line.parity}, stop bits {line.stop_bits}"


ADDRESS_RULES = (
    duplicate_unit,
    shared_host,
    duplicate_hardware_address,
    impossible_hardware_address,
    malformed_host,
    broken_via,
    rtu_unit,
    serial_settings,
)
