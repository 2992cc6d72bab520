"""Faults of signs and of rotation: what a whole type of device, or a whole bus, shows the other way round."""

from __future__ import annotations

import random

from probe.practice.trial.circuit import reversed_rotation
from probe.practice.trial.lineup import Seat, Trial
from probe.practice.trial.truth import Inject, Truth, Unfit

_SIGN = "sign of powers"
#: What one device alone does not tell from a convention of the other sign.
_LIKE_IT = ("all current transformers reversed", "reversed current transformer", "power flows backwards")


def _sign(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """A type of device that counts what a load takes as negative: active power, or reactive power as well."""
    if not seat.has("power_active"):
        raise Unfit
    both = dice.random() < 0.5
    alike = [one for one in trial.seats if one.profile.name == seat.profile.name]
    for one in alike:
        one.instrument.count_backwards(reactive=both)
    tags = tuple(one.tag for one in alike)
    told = trial.direction_is_told(seat) and len(alike) < len(trial.seats)
    if both:
        # A type of which several devices agree is one fault; of one device its transformers are likelier.
        kinds: tuple[str, ...] = (_SIGN,) if len(alike) > 1 else (_SIGN, *_LIKE_IT)
        return Truth("sign of powers", kinds, tags, (), ("sign",))
    kinds = (_SIGN,) if told or len(alike) > 1 else (_SIGN, "currents rolled", *_LIKE_IT)
    return Truth("sign of powers", kinds, tags, (), ("sign",))


def _tells_rotation(seat: Seat) -> bool:
    return seat.has("unbalance") or seat.has("angle")


def _rotation(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """The bus turns A-C-B: all instruments that tell it say so; one alone may be wired so itself."""
    if not _tells_rotation(seat):
        raise Unfit
    trial.bus = reversed_rotation(trial.bus)
    for circuit in {id(one.circuit): one for one in trial.seats}.values():
        mirrored = circuit.circuit.mirrored()
        for one in [o for o in trial.seats if o.circuit is circuit.circuit]:
            one.circuit = mirrored
    telling = tuple(one.tag for one in trial.seats if _tells_rotation(one))
    kinds = ("reversed rotation", "phases swapped")
    if len(telling) > 1:
        return Truth("reversed rotation", kinds[:1], telling)
    return Truth("reversed rotation", kinds, telling, (), ("turn", "exchanged"))


def _both_swapped(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """Two phases exchanged at one instrument, in voltages and currents alike: it sees A-C-B alone."""
    if not _tells_rotation(seat):
        raise Unfit
    one, other = dice.choice(((0, 1), (1, 2), (0, 2)))
    order = [0, 1, 2]
    order[one], order[other] = other, one
    a, b, c = ((n, 1.0) for n in order)
    seat.instrument.volt_inputs = seat.instrument.amp_inputs = (a, b, c)
    kinds = ("phases swapped", "reversed rotation")
    drawn = any(one.below for one in trial.seats)  # without a main the map does not say who shares a bus
    if drawn and any(_tells_rotation(o) for o in trial.seats if o is not seat):
        return Truth("phases swapped", kinds[:1], (seat.tag,))
    return Truth("phases swapped", kinds, (seat.tag,), (), ("turn", "exchanged"))


ON_BUS: dict[str, Inject] = {
    "sign of powers": _sign,
    "reversed rotation": _rotation,
    "phases swapped": _both_swapped,
}
