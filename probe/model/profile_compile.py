"""Written points to compiled points: addresses to PDU addresses, words to a ready decoder.

Every misfit becomes a Problem at its place; a point with one is left out, so that one wrong line does not
hide the others. Rules between points are in ``profile_check``; identity, states and the like are compiled
in ``profile_rules``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any, TypeVar

from probe.model.addressing import HIGHEST, AddressError, Place, parse_address
from probe.model.clock_codec import clock_registers
from probe.model.codec import (
    BIT_FIELDS,
    ENUMERATIONS,
    FACTORED,
    FLOATS,
    MEASURED,
    SCALED,
    Encoding,
    make_decoder,
    number_registers,
    registers_allowed,
)
from probe.model.errors import Problem
from probe.model.number_codec import exact_scale
from probe.model.profile import Decoder, Point
from probe.model.profile_layers import PointFields, Stack
from probe.model.quantities import QUANTITIES
from probe.model.word_order import default_order, parse_order

# Quantity of a type that can only be one thing.
_QUANTITY_OF_TYPE = {
    **dict.fromkeys((*ENUMERATIONS, *BIT_FIELDS, "bit"), "state"),
    "text": "text", "clock": "time", "sunssf": "scale",
}  # fmt: skip
#: Digits shown of a floating value whose profile says nothing; common practice, no source.
FLOAT_DECIMALS = 2


_T = TypeVar("_T")


class _RefusedError(Exception):
    """A point cannot be compiled; carries the reason."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self.problem = problem


def compile_points(stack: Stack) -> tuple[dict[str, Point], list[Problem]]:
    """The profile's points by name, in rising order of area and address, and every problem of a point."""
    points: dict[str, Point] = {}
    problems: list[Problem] = []
    written = stack.points()
    for name, fields in written.items():
        point, refused = _point(name, fields, stack)
        problems += refused
        if point is not None:
            points[name] = point
    points = _share_atoms(points)
    ordered = sorted(points.values(), key=lambda p: (p.area, p.start, p.end, p.name))
    return {point.name: point for point in ordered}, problems


class _Collector:
    """Runs the steps of one point and keeps what each refuses, so that one point can show several faults."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def take(self, step: Callable[..., _T], *arguments: Any) -> _T | None:
        """The step's result; None if it refused or an argument is missing."""
        if any(argument is None for argument in arguments):
            return None
        try:
            return step(*arguments)
        except _RefusedError as refused:
            self.problems.append(refused.problem)
            return None


def _point(name: str, fields: PointFields, stack: Stack) -> tuple[Point | None, list[Problem]]:
    """The compiled point, or None and what is wrong with it."""
    missing = [
        fields.problem(needed, f"{needed} is missing", remedy=f"add `{needed}: ...`")
        for needed in ("title", "address", "type")
        if not fields.has(needed)
    ]
    if missing:
        return None, missing
    kind: str = fields.get("type")
    steps = _Collector()
    steps.take(_refuse_strays, fields, kind)
    place = steps.take(_place, fields, stack)
    steps.take(_area_fits, fields, kind, place)
    count = steps.take(_count, fields, kind)
    steps.take(_inside, fields, place, count)
    order = steps.take(_order, fields, kind, stack)
    decoder = steps.take(_decoder, fields, kind, count, order)
    span = steps.take(_range, fields, kind)
    meaning = steps.take(_meaning, fields, kind)
    values = steps.take(_names, fields, "values", kind, count)
    bits = steps.take(_names, fields, "bits", kind, count)
    if steps.problems:
        return None, steps.problems
    assert place is not None  # no step refused, so each gave something
    assert count is not None
    assert order is not None
    assert decoder is not None
    assert span is not None
    assert meaning is not None
    return Point(
        name=name,
        title=fields.get("title"),
        area=place.area,
        start=place.start,
        count=count,
        type=kind,
        order=order,
        decoder=decoder,
        unit=meaning[0],
        quantity=meaning[1],
        phase=fields.get("phase", ""),
        low=span[0],
        high=span[1],
        values=values or {},
        bits=bits or {},
        moves=fields.get("moves", False),
        atom=fields.get("atom", ""),
        scale_factor=fields.get("scale_factor", ""),
        decimals=_decimals(fields, kind),
    ), []


def _inside(fields: PointFields, place: Place, count: int) -> None:
    if place.start + count > HIGHEST + 1:
        what = f"the point ends behind the last address ({HIGHEST})"
        raise _RefusedError(fields.problem("address", what, found=fields.get("address")))


def _place(fields: PointFields, stack: Stack) -> Place:
    layer = fields.layer("address")
    area = fields.get("area")
    if area is None and layer.written.addressing != "reference":
        area = layer.written.area or stack.get("area")
    try:
        return parse_address(fields.get("address"), layer.written.addressing, area)
    except AddressError as error:
        raise _RefusedError(
            fields.problem(
                "address", error.what, found=fields.get("address"), allowed=error.allowed, remedy=error.remedy
            )
        ) from None


# Fields that only some types understand.
_BELONGS_TO = {
    "scale": SCALED,
    "offset": SCALED,
    "scale_factor": FACTORED,
    "decimals": SCALED,
    "values": ENUMERATIONS,
    "bits": BIT_FIELDS,
    "encoding": ("clock",),
    "fields": ("clock",),
    "bcd": ("clock",),
    "pad": ("text",),
    "range": SCALED,
    "count": ("text", "bcd", "bcd_bytes", "m10k", "clock"),
}


def _refuse_strays(fields: PointFields, kind: str) -> None:
    """A field that the type does not understand would be silently without effect: refuse it."""
    for field, types in _BELONGS_TO.items():
        if fields.has(field) and kind not in types and not _harmless(fields, field, kind):
            allowed = f"{field} belongs to {', '.join(types)}"
            remedy = "remove it, or choose one of these types"
            raise _RefusedError(
                fields.problem(field, f"{field} means nothing for {kind}", allowed=allowed, remedy=remedy)
            )


def _harmless(fields: PointFields, field: str, kind: str) -> bool:
    """A count that repeats what the type says anyway."""
    if field != "count" or kind == "clock":
        return False
    least, most = registers_allowed(kind)
    return bool(least == most == fields.get("count"))


def _area_fits(fields: PointFields, kind: str, place: Place) -> None:
    area = place.area
    if (kind == "bit") != area.is_bits:
        allowed = "type: bit for coils and discrete inputs, any other type for holding and input registers"
        what = f"{kind} does not fit the area {area}"
        raise _RefusedError(fields.problem("type", what, found=kind, allowed=allowed))


def _count(fields: PointFields, kind: str) -> int:
    if kind == "clock":
        return _clock_count(fields)
    least, most = registers_allowed(kind)
    if least == most:
        return least
    if not fields.has("count"):
        remedy = f"add `count:`, {least} to {most} registers"
        raise _RefusedError(fields.problem("count", f"{kind} needs a count of registers", remedy=remedy))
    count: int = fields.get("count")
    if not least <= count <= most:
        allowed = f"{least} to {most} registers"
        raise _RefusedError(
            fields.problem("count", f"count does not fit {kind}", found=str(count), allowed=allowed)
        )
    return count


def _clock_count(fields: PointFields) -> int:
    encoding = fields.get("encoding")
    if encoding is None:
        raise _RefusedError(
            fields.problem("encoding", "a clock needs its encoding", remedy="add `encoding: ...`")
        )
    if (encoding == "fields") != fields.has("fields"):
        what = "fields: lists the registers of `encoding: fields`, and belongs to no other encoding"
        raise _RefusedError(fields.problem("fields", what))
    count = clock_registers(encoding, fields.get("fields", ()))
    if fields.get("count", count) != count:
        what = f"{encoding} takes {count} registers"
        raise _RefusedError(fields.problem("count", what, found=str(fields.get("count")), allowed=str(count)))
    return count


def _order(fields: PointFields, kind: str, stack: Stack) -> str:
    """The letters that count: the point's own, else those of the profile for this width."""
    if kind == "bit":
        return ""
    own: str | None = fields.get("order")
    registers = number_registers(kind)
    if registers is None:
        return _order_of_others(fields, kind, own, stack)
    if own is None and registers > 1:
        own = default_order(_family(fields, stack), registers)
    own = own or "AB"
    try:
        parse_order(own, registers)
    except ValueError as error:
        raise _RefusedError(
            fields.problem(
                "order", f"order does not fit {kind}: {error}", found=own, allowed=_examples(registers)
            )
        ) from None
    return own


def _examples(registers: int) -> str:
    return {1: "AB or BA", 2: "ABCD, CDAB, BADC or DCBA", 4: "ABCDEFGH, GHEFCDAB, BADCFEHG, HGFEDCBA, ..."}[
        registers
    ]


def _family(fields: PointFields, stack: Stack) -> str:
    family: str | None = stack.get("order")
    if family is None:
        raise _RefusedError(
            fields.problem(
                "type",
                "the order of the registers is not stated",
                found=fields.get("type"),
                allowed="order: ABCD, CDAB, BADC or DCBA, for the file or the point",
                remedy="MODBUS defines no order beyond one register: take it from the device's manual",
            )
        )
    return family


def _order_of_others(fields: PointFields, kind: str, own: str | None, stack: Stack) -> str:
    """Orders of text, clocks and decimal digits."""
    if kind == "text":
        allowed: tuple[str, ...] = ("AB", "BA")
        order = own or "AB"
    else:
        allowed = ("ABCD", "CDAB", "BADC", "DCBA") if kind == "clock" else ("ABCD", "CDAB")
        order = own or stack.get("order", "ABCD")
        if own is None and order not in allowed:
            order = "ABCD" if order == "BADC" else "CDAB"
    if order not in allowed:
        raise _RefusedError(
            fields.problem("order", f"order does not fit {kind}", found=order, allowed=" or ".join(allowed))
        )
    return order


def _decoder(fields: PointFields, kind: str, count: int, order: str) -> Decoder:
    try:
        exact_scale(fields.get("scale", Decimal(1)), fields.get("offset", Decimal(0)))
    except ValueError as error:
        field = "scale" if fields.has("scale") else "offset"
        raise _RefusedError(fields.problem(field, str(error), found=str(fields.get(field)))) from None
    try:
        return make_decoder(
            Encoding(
                type=kind,
                count=count,
                order=order,
                scale=fields.get("scale", Decimal(1)),
                offset=fields.get("offset", Decimal(0)),
                not_available=_not_available(fields, kind),
                factored=fields.has("scale_factor"),
                clock=fields.get("encoding", ""),
                fields=fields.get("fields", ()),
                bcd=fields.get("bcd", False),
                pad=fields.get("pad", "nul"),
            )
        )
    except ValueError as error:
        field = "fields" if kind == "clock" and fields.has("fields") else "not_available"
        found = ", ".join(fields.get(field, ()))
        raise _RefusedError(fields.problem(field, str(error), found=found)) from None


def _not_available(fields: PointFields, kind: str) -> tuple[str, ...]:
    written: tuple[str, ...] = fields.get("not_available", ())
    return written or (("0x8000",) if kind == "sunssf" else ())


def _range(fields: PointFields, kind: str) -> tuple[float | None, float | None]:
    if kind == "sunssf":
        return -10.0, 10.0
    span: tuple[float, float] | None = fields.get("range")
    if span is None:
        return None, None
    if not span[0] < span[1]:
        what = "the range is inverted" if span[0] > span[1] else "the range is empty"
        found = f"{span[0]:g} to {span[1]:g}"
        raise _RefusedError(fields.problem("range", what, found=found, allowed="[lower, higher]"))
    return span


def _meaning(fields: PointFields, kind: str) -> tuple[str, str]:
    """Unit and quantity; both must be said for a number, and go together."""
    quantity: str = fields.get("quantity") or _QUANTITY_OF_TYPE.get(kind, "")
    if not quantity:
        remedy = "add `quantity: ...`; `counter` or `identity` for numbers that measure nothing"
        raise _RefusedError(fields.problem("quantity", "quantity is missing", remedy=remedy))
    if kind in MEASURED and not fields.has("unit"):
        remedy = "add `unit: ...`, or `unit: none` for a plain number"
        raise _RefusedError(fields.problem("unit", "unit is missing", remedy=remedy))
    unit: str = fields.get("unit", "none")
    unit = "" if unit == "none" else unit
    if unit not in QUANTITIES[quantity]:
        allowed = ", ".join(word or "none" for word in QUANTITIES[quantity])
        what = f"{quantity} is not measured in {unit or 'none'}"
        raise _RefusedError(fields.problem("unit", what, found=unit or "none", allowed=allowed))
    return unit, quantity


def _names(fields: PointFields, field: str, kind: str, count: int) -> dict[int, str]:
    width = 16 * count
    names: dict[int, str] = fields.get(field) or {}
    most = width - 1 if field == "bits" else (1 << width) - 1
    for number in names:
        if number > most:
            what = f"{field} holds a number that {kind} cannot show"
            raise _RefusedError(fields.problem(field, what, found=str(number), allowed=f"0 to {most}"))
    return dict(sorted(names.items()))


def _decimals(fields: PointFields, kind: str) -> int:
    if kind not in SCALED:
        return 0
    scale: Any = exact_scale(fields.get("scale", Decimal(1)), fields.get("offset", Decimal(0)))
    written: int | None = fields.get("decimals")
    if written is not None:
        return written
    return FLOAT_DECIMALS if kind in FLOATS else int(scale.decimals)


def _share_atoms(points: dict[str, Point]) -> dict[str, Point]:
    """Points with a scale factor, and the factor itself, in one atom, named after the factor if unnamed."""
    atoms: dict[str, str] = {}
    for point in points.values():
        if point.scale_factor in points and points[point.scale_factor].type == "sunssf":
            factor = points[point.scale_factor]
            atoms.setdefault(factor.name, point.atom or factor.atom or factor.name)
    shared = {}
    for name, point in points.items():
        atom = point.atom or atoms.get(point.scale_factor) or atoms.get(name) or ""
        shared[name] = point if atom == point.atom else replace(point, atom=atom)
    return shared
