"""The faults that a trial can hold, and how each is put in.

Each entry puts its fault into a trial and says what the diagnosis should answer: the kinds of cause that are
right, and what else the statement must name. Where physics cannot tell two apart, both kinds are right and
both must be named.
"""

from __future__ import annotations

import random
from decimal import Decimal

from probe.model.codec import Encoding, make_decoder
from probe.model.number_codec import FloatDecoder, IntegerDecoder
from probe.model.profile import Point
from probe.practice.trial.fault_bus import ON_BUS
from probe.practice.trial.fault_type import OF_TYPE
from probe.practice.trial.instrument import Inputs
from probe.practice.trial.lineup import Seat, Trial
from probe.practice.trial.registers import is_electrical
from probe.practice.trial.truth import Inject, Truth, Unfit

#: The convention of signs, which one device alone does not tell from the direction of power.
SIGN = "sign of powers"
_ROLLED: tuple[tuple[int, int, int], ...] = ((1, 2, 0), (2, 0, 1))
_SWAPS = ((0, 1), (1, 2), (0, 2))
_ORDERS = {2: ("ABCD", "CDAB", "BADC", "DCBA"), 4: ("ABCDEFGH", "GHEFCDAB", "BADCFEHG", "HGFEDCBA")}


def _numbers(seat: Seat, *, most: int = 9) -> list[Point]:
    points = [p for p in seat.profile.points if is_electrical(p) and not p.scale_factor]
    return [p for p in points if p.count <= most and isinstance(p.decoder, IntegerDecoder | FloatDecoder)]


def _order(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    wide = [
        p
        for p in seat.profile.points
        if p.count in _ORDERS and isinstance(p.decoder, IntegerDecoder | FloatDecoder)
        and len(p.order) == 2 * p.count and not p.scale_factor
    ]  # fmt: skip
    if sum(map(is_electrical, wide)) < 6:
        raise Unfit
    to = dice.randrange(1, 4)
    for point in wide:
        family = _ORDERS[point.count]
        seat.registers.orders[point.name] = family[(family.index(point.order) + to) % 4]
    shown = next(seat.registers.orders[p.name] for p in wide if p.count == 2)
    return Truth("byte order", ("byte order", "register map"), (seat.tag,), (shown,))


def _order_point(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    wide = [p for p in _numbers(seat) if p.count == 2 and p.quantity in _TESTED and p.phase in _PLACES]
    if not wide:
        raise Unfit
    point = dice.choice(wide)
    letters = dice.choice([one for one in _ORDERS[2] if one != point.order])
    seat.registers.orders[point.name] = letters
    return Truth("byte order of a point", ("byte order",), (seat.tag,), (point.name, point.title))


_TESTED = ("voltage_line", "voltage_phase", "current", "power_active", "power_reactive", "power_apparent")
_PLACES = ("a", "b", "c", "ab", "bc", "ca", "total")


def _shift(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    seat.registers.shift = dice.choice((-1, 1))
    if min(p.start for p in seat.profile.points) + seat.registers.shift < 0:
        seat.registers.shift = 1
    return Truth("address", ("address", "register map"), (seat.tag,), (f"{seat.registers.shift:+d}",))


def _type(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """Values of two registers come as whole numbers where the profile says float, or the other way round."""
    wide = [p for p in _numbers(seat) if p.count == 2 and p.quantity in _TESTED]
    if len(wide) < 6:
        raise Unfit
    for point in wide:
        if point.type == "f32":
            scale = {"voltage_line": 0.1, "voltage_phase": 0.1, "current": 0.1}.get(point.quantity, 1)
            new = Encoding(type="i32", count=2, order=point.order, scale=Decimal(str(scale)))
        else:
            new = Encoding(type="f32", count=2, order=point.order)
        seat.registers.decoders[point.name] = make_decoder(new)
    return Truth("type", ("data type",), (seat.tag,))


def _scale(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    groups = {
        "voltages": ("voltage_line", "voltage_phase"),
        "currents": ("current",),
        "powers": ("power_active", "power_reactive", "power_apparent"),
    }
    name = dice.choice(list(groups))
    if name == "powers" and not seat.has("power_active"):
        raise Unfit
    power = dice.choice((-3, -2, -1, 1, 2, 3))
    changed = []
    for point in seat.profile.points:
        if is_electrical(point) and point.quantity in groups[name] and "demand" not in point.name:
            seat.registers.powers[point.name] = power
            changed.append(point.name)
            if trial.steps(seat, point, power) < 20:
                raise Unfit  # rounded away: no register could show it
    where = (name, changed[0]) if len(changed) == 1 else (name,)
    return Truth("scale", ("scale",), (seat.tag,), where)


def _scale_point(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    points = [
        p for p in seat.profile.points
        if is_electrical(p) and p.quantity in _TESTED and p.phase in _PLACES and "demand" not in p.name
        and not (p.quantity == "current" and p.phase == "total")
        and not (_is_lone_total(p) and not seat.has("power_reactive", "a"))
    ]  # fmt: skip
    point = dice.choice(points)
    seat.registers.powers[point.name] = dice.choice((-1, 1, -3, 3))
    return Truth("scale of a point", ("scale",), (seat.tag,), (point.name, point.title))


def _is_lone_total(point: Point) -> bool:
    """A total of reactive power: without its phases, nothing beside it would have to agree."""
    return point.quantity == "power_reactive" and point.phase == "total"


def _turn(seat: Seat, *signs: float) -> None:
    """Turn currents round, whatever is wired to each input."""
    a, b, c = ((n, sign * by) for (n, by), sign in zip(seat.instrument.amp_inputs, signs, strict=True))
    seat.instrument.amp_inputs = (a, b, c)


def _move(seat: Seat, a: int, b: int, c: int) -> None:
    """Put on each current input what was on another."""
    before = seat.instrument.amp_inputs
    seat.instrument.amp_inputs = (before[a], before[b], before[c])


def _reversed_one(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    phase = 0 if trial.single else dice.randrange(3)
    _turn(seat, *(-1.0 if n == phase else 1.0 for n in range(3)))
    if trial.single and not trial.direction_is_told(seat):
        kinds = ("reversed current transformer", "power flows backwards", SIGN)
        return Truth("reversed CT", kinds, (seat.tag,), (), _BOTH)
    where = (f"phase {'ABC'[phase]}",) if seat.has("power_active", "abc"[phase]) else ()
    return Truth("reversed CT", ("reversed current transformer",), (seat.tag,), where)


def _reversed_all(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    _turn(seat, -1.0, -1.0, -1.0)
    kinds: tuple[str, ...] = ("all current transformers reversed", "power flows backwards")
    told = trial.direction_is_told(seat)
    if not told and _looks_rolled(trial, seat):
        kinds += _LIKE_ROLLED
    return Truth("all CTs reversed", kinds[:1] if told else kinds, (seat.tag,), (), () if told else _BOTH)


_BOTH = ("flow", "turned round")
#: What looks alike where the totals show active power backwards and reactive power forwards.
_LIKE_ROLLED = ("currents rolled", SIGN)


def _looks_rolled(trial: Trial, seat: Seat) -> bool:
    """True where one instrument alone shows what rolled currents show as well: a leading load, backwards."""
    shown = trial.shows(seat)
    return shown["power_active", "total"] < 0 < shown["power_reactive", "total"]


def _backwards(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    if seat.below or seat.twins:
        raise Unfit  # with a twin nothing is wrong: two instruments agree that it flows so
    told = trial.direction_is_told(seat)
    if not trial.turn_round(seat):
        raise Unfit
    one = "reversed current transformer" if trial.single else "all current transformers reversed"
    kinds: tuple[str, ...] = ("power flows backwards", one)
    if not told and _looks_rolled(trial, seat):
        kinds += _LIKE_ROLLED
    return Truth(
        "power flows backwards", kinds[:1] if told else kinds, (seat.tag,), (), () if told else _BOTH
    )


def _swapped(pair: tuple[int, int]) -> Inputs:
    order = [0, 1, 2]
    order[pair[0]], order[pair[1]] = order[pair[1]], order[pair[0]]
    a, b, c = order
    return ((a, 1.0), (b, 1.0), (c, 1.0))


def _pair_named(seat: Seat, pair: tuple[int, int]) -> tuple[str, ...]:
    one, other = ("ABC"[n] for n in pair)
    return (f"{one} and {other}",) if seat.has("power_active", "a") else ()


def _swapped_amps(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    pair = dice.choice(_SWAPS)
    _move(seat, *(n for n, _ in _swapped(pair)))
    kinds = ("currents swapped", "voltages swapped")
    right = kinds[:1] if seat.has("power_reactive", "a") else kinds
    return Truth("currents swapped", right, (seat.tag,), _pair_named(seat, pair))


def _swapped_volts(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    pair = dice.choice(_SWAPS)
    seat.instrument.volt_inputs = _swapped(pair)
    right = (
        ("voltages swapped",) if seat.has("power_reactive", "a") else ("voltages swapped", "currents swapped")
    )
    return Truth("voltages swapped", right, (seat.tag,), _pair_named(seat, pair))


def _reversed_two(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    straight = dice.randrange(3)
    _turn(seat, *(1.0 if n == straight else -1.0 for n in range(3)))
    pair = " and ".join(letter for n, letter in enumerate("ABC") if n != straight)
    where = (f"phases {pair}",) if seat.has("power_active", "a") else ()
    return Truth("two CTs reversed", ("reversed current transformer",), (seat.tag,), where)


def _rolled(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """Where the total then looks like power that flows the other way, only another instrument can tell."""
    _move(seat, *dice.choice(_ROLLED))
    if trial.direction_is_told(seat) or trial.shows(seat)["power_active", "total"] > 0:
        return Truth("currents rolled", ("currents rolled",), (seat.tag,))
    kinds = ("currents rolled", "power flows backwards", "all current transformers reversed", SIGN)
    return Truth("currents rolled", kinds, (seat.tag,), (), ("rolled",))


def _fuse(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    phase = dice.randrange(3)
    left = dice.choice((0.0, 0.02, 0.1))
    a, b, c = ((n, left if n == phase else 1.0) for n in range(3))
    seat.instrument.volt_inputs = (a, b, c)
    return Truth("voltage missing", ("voltage missing",), (seat.tag,), (f"phase {'ABC'[phase]}",))


def _misset(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """The instrument's setting of wye or delta is wrong: one sort of voltage shows as the other."""
    if not (seat.has("voltage_phase") and seat.has("voltage_line")):
        raise Unfit
    quantity, factor = dice.choice((("voltage_phase", 3**0.5), ("voltage_line", 3**-0.5)))
    seat.instrument.factors[quantity] = factor
    return Truth("wye or delta", ("wye or delta",), (seat.tag,))


def _nominal(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    others = [v for v in (208.0, 400.0, 480.0, 600.0, 690.0) if abs(v / trial.bus.nominal_v - 1) > 0.25]
    trial.map_voltage = dice.choice(others)
    return Truth("nominal", ("nominal voltage",), tuple(s.tag for s in trial.seats))


def _amp_ratio(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """Another transformer than set, where a second instrument or the balance of the bus can tell."""
    if not seat.twins or not trial.direction_is_told(seat) or not any(one.below for one in trial.seats):
        raise Unfit
    seat.instrument.amp_ratio = dice.choice((0.5, 2.0, 0.625, 1.6, 0.2, 5.0))
    return Truth("current ratio", ("current transformer ratio",), (seat.tag,))


def _volt_ratio(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    seat.instrument.volt_ratio = dice.choice((0.5, 2.0, 120 / 100, 100 / 120, 0.25, 4.0))
    return Truth("voltage ratio", ("voltage ratio",), (seat.tag,))


def _exchanged(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """Two feeders answer at each other's address."""
    alike = [
        other for other in trial.seats
        if other is not seat and other.profile is seat.profile and other.kind == seat.kind
        and other.circuit.rating_a != seat.circuit.rating_a and seat.has("rating") and other.has("rating")
    ]  # fmt: skip
    if not alike or seat.below:
        raise Unfit
    other = dice.choice(alike)
    if other.below:
        raise Unfit
    trial.exchange(seat, other)
    return Truth("exchanged", ("swapped",), (seat.tag, other.tag))


def _two_for_one(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    alike = [o for o in trial.seats if o is not seat and o.profile is seat.profile and not o.below]
    if not alike or seat.below or not seat.has("energy_active_import"):
        raise Unfit
    other = dice.choice(alike)
    trial.answer_for(seat, other)
    return Truth("one for two", ("one unit for two",), (seat.tag, other.tag))


FAULTS: dict[str, Inject] = {
    "byte order": _order,
    "byte order of a point": _order_point,
    "address": _shift,
    "type": _type,
    "scale": _scale,
    "scale of a point": _scale_point,
    "reversed CT": _reversed_one,
    "two CTs reversed": _reversed_two,
    "all CTs reversed": _reversed_all,
    "power flows backwards": _backwards,
    "currents swapped": _swapped_amps,
    "voltages swapped": _swapped_volts,
    "currents rolled": _rolled,
    "voltage missing": _fuse,
    "wye or delta": _misset,
    "nominal": _nominal,
    "current ratio": _amp_ratio,
    "voltage ratio": _volt_ratio,
    "exchanged": _exchanged,
    "one for two": _two_for_one,
    **OF_TYPE,
    **ON_BUS,
}
