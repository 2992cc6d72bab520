"""Rules between the points of a profile: what cannot be read, or cannot be right.

Errors: overlaps that are not declared, points in a hole, points and atoms wider than one request, atoms
across a hole or in two areas, scale factors that are missing or no scale factor, ranges that the type cannot
reach. Warnings: what a careful author would mend (two points with one title, no identity, no proof).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from probe.model.block import number_range
from probe.model.errors import Problem
from probe.model.nearest import did_you_mean
from probe.model.profile import Area, Point, Profile, Span
from probe.model.profile_layers import PointFields, Stack

# Not-available codes that makers use; a range that holds one which is not declared deserves a look.
_USUAL_CODES = {"u16": 0xFFFF, "i16": -0x8000, "u32": 0xFFFF_FFFF, "i32": -0x8000_0000}

# What a device may show unchanged for years.
_STANDS_STILL = ("identity", "text", "address", "rating", "setting", "scale")


def check_points(profile: Profile, stack: Stack) -> list[Problem]:
    """Every problem between the profile's points; the points that did not compile are left out."""
    written = stack.points()
    checks = (_overlaps, _holes, _widths, _atoms, _factors, _ranges, _titles, _codes)
    problems = [problem for check in checks for problem in check(profile, written)]
    return problems + list(_whole(profile, stack))


Written = dict[str, PointFields]


def _by_area(points: Iterable[Point]) -> Iterator[list[Point]]:
    for area in Area:
        inside = [point for point in points if point.area is area]
        if inside:
            yield sorted(inside, key=lambda point: (point.start, point.end))


def _overlaps(profile: Profile, written: Written) -> Iterator[Problem]:
    """Two points that share a register, unless one of them says so (``overlaps``)."""
    for points in _by_area(profile.points):
        for index, first in enumerate(points):
            for second in points[index + 1 :]:
                if second.start >= first.end:
                    break
                if not _declared(first, second, written):
                    yield _overlap(first, second, written)
    for name, fields in written.items():
        for other in fields.get("overlaps") or ():
            if other not in written:
                remedy = did_you_mean(other, written)
                yield fields.problem("overlaps", f"there is no point {other}", found=other, remedy=remedy)
            elif not _touch(profile.by_name.get(name), profile.by_name.get(other)):
                what = f"{name} and {other} share no register"
                yield fields.problem("overlaps", what, found=other, remedy="remove it", severity="warning")


def _declared(first: Point, second: Point, written: Written) -> bool:
    return second.name in (written[first.name].get("overlaps") or ()) or first.name in (
        written[second.name].get("overlaps") or ()
    )


def _touch(first: Point | None, second: Point | None) -> bool:
    if first is None or second is None:
        return True  # one did not compile; that is told elsewhere
    return first.area is second.area and first.start < second.end and second.start < first.end


def _overlap(first: Point, second: Point, written: Written) -> Problem:
    other = written[first.name].layer("address").document.place(("points", first.name, "address"))
    shared = min(first.end, second.end) - second.start
    return written[second.name].problem(
        "address",
        f"{second.name} shares {shared} {'register' if shared == 1 else 'registers'} with {first.name}",
        found=written[second.name].get("address"),
        remedy=f"correct one of the two ({first.name} is at {other}), or declare `overlaps: [{first.name}]`",
    )


def _holes(profile: Profile, written: Written) -> Iterator[Problem]:
    """Points that touch a hole: they can never be read."""
    for point in profile.points:
        hole = _hole_within(profile.holes, point.area, point.start, point.end)
        if hole is not None:
            yield written[point.name].problem(
                "address",
                f"{point.name} lies in a hole (PDU addresses {hole.start} to {hole.end - 1})",
                found=written[point.name].get("address"),
                remedy="correct the address, or the hole",
            )


def _hole_within(holes: Sequence[Span], area: Area, start: int, end: int) -> Span | None:
    return next((h for h in holes if h.area is area and h.start < end and start < h.end), None)


def _limit(profile: Profile, area: Area) -> int:
    return profile.limits.bits if area.is_bits else profile.limits.registers


def _widths(profile: Profile, written: Written) -> Iterator[Problem]:
    """Points wider than one request of this device."""
    for point in profile.points:
        limit = _limit(profile, point.area)
        if point.count > limit:
            yield written[point.name].problem(
                "count",
                f"{point.name} is wider than one request of this device",
                found=f"{point.count} registers",
                allowed=f"at most {limit} (limits.registers)",
            )


def _atoms(profile: Profile, written: Written) -> Iterator[Problem]:
    """Points that must be read together but cannot be."""
    atoms: dict[str, list[Point]] = {}
    for point in profile.points:
        if point.atom:
            atoms.setdefault(point.atom, []).append(point)
    for atom, points in atoms.items():
        problem = _atom(profile, atom, points, written)
        if problem is not None:
            yield problem


def _atom(profile: Profile, atom: str, points: list[Point], written: Written) -> Problem | None:
    last = max(points, key=lambda point: point.end)
    fields = written[last.name]
    field = "atom" if fields.has("atom") else "scale_factor"
    areas = sorted({point.area for point in points})
    if len(areas) > 1:
        what = f"the points of {atom} lie in two areas ({' and '.join(areas)}) and cannot be read together"
        return fields.problem(field, what)
    start, end = min(point.start for point in points), last.end
    width, limit = end - start, _limit(profile, last.area)
    if width > limit:
        what = f"the points of {atom} span more than one request of this device"
        return fields.problem(field, what, found=f"{width} registers", allowed=f"at most {limit}")
    hole = _hole_within(profile.holes, last.area, start, end)
    if hole is not None and width > sum(point.count for point in points):
        what = f"a hole (PDU addresses {hole.start} to {hole.end - 1}) lies inside the points of {atom}"
        return fields.problem(field, what)
    return None


def _factors(profile: Profile, written: Written) -> Iterator[Problem]:
    """Scale factors that are not there, are no scale factor, or were put in another atom."""
    for point in profile.points:
        if not point.scale_factor:
            continue
        fields, factor = written[point.name], profile.by_name.get(point.scale_factor)
        if point.scale_factor not in written:
            remedy = did_you_mean(point.scale_factor, written)
            what = f"there is no point {point.scale_factor}"
            yield fields.problem("scale_factor", what, found=point.scale_factor, remedy=remedy)
        elif factor is not None and factor.type != "sunssf":
            what = f"{factor.name} is no scale factor"
            yield fields.problem("scale_factor", what, found=factor.type, allowed="a point of type sunssf")
        elif factor is not None and factor.atom != point.atom:
            what = f"{point.name} and its scale factor {factor.name} must have the same atom"
            yield fields.problem("atom", what, found=f"{point.atom}, {factor.atom}")


def _ranges(profile: Profile, written: Written) -> Iterator[Problem]:
    """Ranges of which the type can show nothing, or not the whole."""
    for point in profile.points:
        reach = number_range(point)
        if reach is None or point.low is None or point.high is None:
            continue
        fields = written[point.name]
        if point.high < reach[0] or point.low > reach[1]:
            allowed = (
                f"within {reach[0]:g} to {reach[1]:g}, which is what {point.type} with this scale can show"
            )
            what = f"{point.name} can never be in its range"
            yield fields.problem("range", what, found=f"{point.low:g} to {point.high:g}", allowed=allowed)
        elif point.type != "sunssf" and (point.low < reach[0] or point.high > reach[1]):
            allowed = f"{reach[0]:g} to {reach[1]:g} is what {point.type} with this scale can show"
            what = f"the range of {point.name} is wider than its type"
            found = f"{point.low:g} to {point.high:g}"
            yield fields.problem("range", what, found=found, allowed=allowed, severity="warning")


def _titles(profile: Profile, written: Written) -> Iterator[Problem]:
    """Two points with the same title cannot be told apart in a finding."""
    seen: dict[str, str] = {}
    for point in profile.points:
        first = seen.setdefault(point.title.casefold(), point.name)
        if first != point.name:
            what = f"{first} and {point.name} have the same title"
            yield written[point.name].problem("title", what, found=point.title, severity="warning")


def _codes(profile: Profile, written: Written) -> Iterator[Problem]:
    """A usual "no value" code that the profile neither declares nor excludes by a range."""
    for point in profile.points:
        code = _USUAL_CODES.get(point.type)
        if (
            code is None
            or point.scale_factor
            or point.quantity in ("counter", "heartbeat", "identity", "uptime")
        ):
            continue
        fields = written[point.name]
        if fields.has("not_available") or fields.has("range"):
            continue
        what = f"nothing tells {point.name} from its code for no value"
        remedy = f"give it a range, or `not_available: [{code & (1 << 16 * point.count) - 1:#06x}]`"
        yield fields.problem("", what, remedy=remedy, severity="warning")


def _whole(profile: Profile, stack: Stack) -> Iterator[Problem]:
    """What a profile should have so that an audit can prove something."""
    if not any("identity" in layer.written.model_fields_set for layer in stack.layers):
        remedy = "add `identity:` with objects (2B/0E) or points; without it a swapped device goes unseen"
        yield stack.problem("", "the profile says nothing about identity", severity="warning", remedy=remedy)
    measures = any(point.quantity not in _STANDS_STILL for point in profile.points)
    if measures and stack.get("freshness") is None and not any(point.moves for point in profile.points):
        remedy = "add `freshness:` or mark points that always move; without it a frozen device passes"
        what = "nothing in the profile proves that values are alive"
        yield stack.problem("", what, severity="warning", remedy=remedy)
