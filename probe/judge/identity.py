"""Who a device says it is: objects of Read Device Identification and identification points, cleaned."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from probe.judge.blocks import response_pdu
from probe.judge.context import DeviceContext
from probe.judge.wording import value_text
from probe.model.device_map import Device
from probe.model.evidence import Outcome, Purpose
from probe.model.pdu import identification
from probe.model.profile import Profile
from probe.model.reading import Quality
from probe.model.text_codec import clean_text

FIELDS = ("maker", "model", "serial", "firmware")


class Said(NamedTuple):
    """One field as the device shows it, safe to print, and where it was read.

    by_register: read from a point, so that it is only as good as the register map.
    """

    text: str
    sequence: int
    by_register: bool = False


def expected_identity(device: Device, profile: Profile) -> dict[str, str]:
    """Field to expected text: what the map says, else what the profile says of every such device."""
    wanted = dict(profile.identity.expect)
    for field in FIELDS:
        text = getattr(device.identity, field)
        if text is not None:
            wanted[field] = text
    return wanted


def identity_of(context: DeviceContext) -> dict[str, Said]:
    """Fields that the device gave. Objects come first, points fill what they leave open."""
    known: dict[str, Said] | None = context.memory.get("identity")
    if known is None:
        known = _from_objects(context)
        for field, name in context.profile.identity.points.items():
            if field not in known:
                _add_point(context, field, name, known)
        context.memory["identity"] = known
    return known


def serials_of(context: DeviceContext) -> list[Said]:
    """Every serial number that the device gave in the run, in order; of points, of objects without them."""
    rule = context.profile.identity
    name, number = rule.points.get("serial"), rule.objects.get("serial")
    if name:
        good = (Quality.GOOD, Quality.OUT_OF_TYPE)
        readings = [one for one in context.readings(name) if one.quality in good]
        return [Said(value_text(context.point(name), one.value), one.sequence, True) for one in readings]
    return [said for object_id, said in _objects(context) if object_id == number]


def _from_objects(context: DeviceContext) -> dict[str, Said]:
    rule = context.profile.identity.objects
    if not rule:
        return {}
    objects: dict[int, Said] = {}
    for number, said in _objects(context):
        objects.setdefault(number, said)
    return {field: objects[number] for field, number in rule.items() if number in objects}


def _objects(context: DeviceContext) -> Iterator[tuple[int, Said]]:
    """Every object that came, with its number, in order."""
    for sequence, exchange in context.sent:
        if exchange.purpose is Purpose.IDENTITY and exchange.outcome is Outcome.DATA:
            pdu = response_pdu(exchange)
            if pdu[:1] == b"\x2b":
                for number, data in identification(pdu).objects:
                    yield number, Said(clean_text(data)[0], sequence)


def _add_point(context: DeviceContext, field: str, name: str, known: dict[str, Said]) -> None:
    for reading in context.readings(name):
        if reading.quality in (Quality.GOOD, Quality.OUT_OF_TYPE):
            known[field] = Said(value_text(context.point(name), reading.value), reading.sequence, True)
            return
