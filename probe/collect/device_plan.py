"""What is asked of one device, step by step: the reads of ``plan`` with their purposes and finished PDUs.

Decides which points are read for which purpose; leaves the order in time and what happens after a refusal
to ``conversation``. Plans depend on the profile, the shift and the line only, so that thousands of devices
share a few (``PlanBook``).

Proof points are read twice, alone and again inside the poll's blocks: a device whose block shifts silently
behind a hole shows a right proof alone and a wrong one in the block.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from probe.collect.plan import (
    Piece,
    PlanError,
    Price,
    Read,
    ethernet_price,
    plan_reads,
    serial_price,
)
from probe.model.device_map import Device, Target
from probe.model.errors import InputError, Problem
from probe.model.evidence import Framing, Purpose
from probe.model.pdu import read_request
from probe.model.profile import Limits, Point, Profile

#: Baud assumed for a line that the map does not describe (behind a gateway): the standard's default.
#: Source: MODBUS over Serial Line V1.02, 3.2.
ASSUMED_BAUD = 19_200


class Step(NamedTuple):
    """One request of a plan. pdu: as it goes on the wire, the device's register shift applied."""

    purpose: Purpose
    read: Read
    pdu: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePlan:
    """All steps for a device of one profile on one sort of line, ready to send.

    objects: category of Read Device Identification to ask (1 basic, 2 regular, 3 extended), 0 for none.
    identity: reads of the identification points; who: of the one with the serial number. clock: the careful
    reading, alone in its request.
    """

    profile: Profile
    shift: int
    price: Price
    objects: int
    identity: tuple[Step, ...]
    proof: tuple[Step, ...]
    poll: tuple[Step, ...]
    freshness: tuple[Step, ...]
    clock: tuple[Step, ...]
    who: tuple[Step, ...] = ()

    @property
    def limits(self) -> Limits:
        """What the type of device bears."""
        return self.profile.limits

    def step(self, purpose: Purpose, read: Read) -> Step:
        """A further step of this plan: part of a read that was refused."""
        return Step(purpose, read, read_pdu(read, self.shift))


def read_pdu(read: Read, shift: int = 0) -> bytes:
    """The PDU that asks for a read: function, first address, quantity.

    Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4.
    """
    return read_request(read.area.function, read.start + shift, read.quantity)


def price_of(target: Target, limits: Limits) -> Price:
    """What requests to this target cost: by bit time where a serial line lies on the way."""
    if target.serial is not None:
        return serial_price(limits, target.serial.baud)
    if target.gateway or target.framing is Framing.RTU:
        return serial_price(limits, ASSUMED_BAUD)
    return ethernet_price(limits)


def plan_device(
    profile: Profile,
    shift: int,
    price: Price,
    *,
    quick: bool = False,
    clocks_only: bool = False,
    settings_only: bool = False,
) -> DevicePlan:
    """The steps for a profile. quick: without freshness and clock; clocks_only: identity, proof and clock;
    settings_only: identity, proof, and twice the protective settings with what shows that they are alive.

    Raises PlanError if a point can never be read.
    """
    builder = _Builder(profile, shift, price)
    clock = [] if profile.clock is None else _atom_of(profile, profile.clock.point)
    apart = {point.name for point in clock} | set(profile.identity.points.values()) | profile.event_points
    proof_names = [proof.point for proof in profile.proof]
    fresh = () if quick or clocks_only or profile.freshness is None else profile.freshness.points
    kept_in_step = profile.clock.sync if profile.clock is not None else None
    polled = [p.name for p in profile.points if p.name not in apart]
    if clocks_only:  # of all else only what the device says of its clock
        polled = [] if kept_in_step is None else [kept_in_step.point]
    if settings_only:
        wanted = _with_settings(profile)
        polled = [name for name in polled if name in wanted]
        fresh = tuple(dict.fromkeys((*(name for name in fresh if name not in apart), *polled)))
    return DevicePlan(
        profile=profile,
        shift=shift,
        price=price,
        objects=_category(profile.identity.objects.values()),
        identity=builder.steps(Purpose.IDENTITY, profile.identity.points.values()),
        proof=builder.steps(Purpose.PROOF, [name for name in proof_names if name not in apart]),
        poll=builder.steps(Purpose.POLL, polled),
        freshness=builder.steps(Purpose.FRESHNESS, fresh),
        who=() if quick or clocks_only else builder.steps(Purpose.IDENTITY, _serial_point(profile)),
        clock=() if quick or settings_only else builder.steps(Purpose.CLOCK, [point.name for point in clock]),
    )


def only_identity(plan: DevicePlan) -> DevicePlan:
    """The plan cut down to who the device is; one known read where its profile does not say how it tells."""
    bare = replace(plan, proof=(), poll=(), freshness=(), clock=())
    if plan.objects or plan.identity:
        return bare
    return replace(bare, proof=(plan.proof or plan.poll)[:1])


def reading_steps(
    profile: Profile, shift: int, price: Price, purpose: Purpose, names: Iterable[str]
) -> tuple[Step, ...]:
    """The cheapest requests that read the named points and whatever must be read with them.

    Raises PlanError if a point can never be read.
    """
    return _Builder(profile, shift, price).steps(purpose, names)


def _with_settings(profile: Profile) -> set[str]:
    """Points of settings, of maintenance mode, of ratings, and what shows that they are alive."""
    wanted = {p.name for p in profile.points if p.quantity == "rating"}
    wanted |= {rule.point for rule in profile.states if rule.state == "maintenance"}
    wanted |= set(profile.freshness.points if profile.freshness else ())
    return wanted | set(profile.settings.points() if profile.settings else ())


def _atom_of(profile: Profile, name: str) -> list[Point]:
    """The point and all that must be read with it."""
    point = profile.by_name[name]
    if not point.atom:
        return [point]
    return [other for other in profile.points if other.area is point.area and other.atom == point.atom]


def _serial_point(profile: Profile) -> tuple[str, ...]:
    name = profile.identity.points.get("serial")
    return (name,) if name else ()


def _category(object_ids: Iterable[int]) -> int:
    """Smallest category of objects that holds all ids; 0 for no id.

    Source: MODBUS Application Protocol Specification V1.1b3, 6.21 (basic 0x00-0x02, regular to 0x7F,
    extended from 0x80).
    """
    highest = max(object_ids, default=-1)
    return 0 if highest < 0 else 1 if highest <= 0x02 else 2 if highest <= 0x7F else 3


class _Builder(NamedTuple):
    profile: Profile
    shift: int
    price: Price

    def steps(self, purpose: Purpose, names: Iterable[str]) -> tuple[Step, ...]:
        """Cheapest reads for the named points; atoms are completed, so that none is cut."""
        points = {p.name: p for name in names for p in _atom_of(self.profile, name)}
        reads = plan_reads(points.values(), self.profile.limits, self.profile.holes, self.price)
        return tuple(Step(purpose, read, read_pdu(read, self.shift)) for read in reads)


@dataclass(slots=True)
class PlanBook:
    """Plans by profile, shift and price, each made once."""

    file: str  # name of the map, for errors
    quick: bool = False
    clocks_only: bool = False
    settings_only: bool = False
    identity_only: bool = False
    _plans: dict[tuple[str, int, Price], DevicePlan] = field(default_factory=dict)

    def plan_for(self, device: Device, profile: Profile, target: Target) -> DevicePlan:
        """The device's plan. Raises InputError if its points cannot be read as profile and map say."""
        price = price_of(target, profile.limits)
        key = (profile.name, device.register_shift, price)
        plan = self._plans.get(key)
        if plan is None:
            self._check_shift(device, profile.points)
            plan = self._plans[key] = self._make(device, profile, price)
        return plan

    def _make(self, device: Device, profile: Profile, price: Price) -> DevicePlan:
        try:
            made = plan_device(
                profile,
                device.register_shift,
                price,
                quick=self.quick,
                clocks_only=self.clocks_only,
                settings_only=self.settings_only,
            )
        except PlanError as error:
            raise InputError([_unreadable(profile, error.piece, error.why)]) from error
        return only_identity(made) if self.identity_only else made

    def _check_shift(self, device: Device, points: Sequence[Point]) -> None:
        shift = device.register_shift
        low = min((point.start for point in points), default=0)
        high = max((point.end for point in points), default=0)
        if low + shift < 0 or high + shift > 0x10000:
            raise InputError(
                [
                    Problem(
                        file=self.file,
                        what=f"the register shift of {device.tag} moves points off the address range",
                        field="register_shift",
                        found=f"{shift} (addresses {low + shift} to {high + shift - 1})",
                        allowed=f"{-low} to {0x10000 - high} with profile {device.profile}",
                        remedy="correct register_shift, or leave it out",
                    )
                ]
            )


def _unreadable(profile: Profile, piece: Piece, why: str) -> Problem:
    return Problem(
        file=f"profile {profile.name}",
        what=f"cannot be read in one request: {why}",
        field=f"points: {', '.join(piece.points)}",
        found=f"{piece.area} addresses {piece.start} to {piece.end - 1}",
        allowed=f"up to {profile.limits.registers} registers or {profile.limits.bits} bits, outside holes",
        remedy="correct the point, its atom, the holes or the limits of the profile",
    )
