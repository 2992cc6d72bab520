"""Optical budget: what a link loses, and whether too little or too much light arrives.

Too little is judged at the worst end: weakest transmitter, greatest loss, aged. Too much is judged at the
other: strongest transmitter, new, connectors and splices that lose nothing, fibre at its scatter floor. An
application (Ethernet on fibre) also has a length limit, because bandwidth ends a link whose loss is fine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from probe.desk.working import (
    COMMON_PRACTICE,
    Amount,
    Bound,
    Check,
    Outcome,
    Step,
    Working,
    at_least,
    at_most,
    between,
)
from probe.model.cable_words import Fibre

CAUTION = (
    "Never look into a fibre or a port: the light cannot be seen and harms the eye. The calculation "
    "replaces no measurement with light source and power meter."
)
_LOSS = "TIA-568 and ISO/IEC 11801, attenuation of cabled fibre (from memory)"
CONNECTOR_DB, SPLICE_DB = 0.75, 0.3
_GIVEN = "loss as given"
_MATED = "TIA-568, connector 0.75 dB and splice 0.3 dB (as third-party texts quote it)"
#: Reserve for repairs and ageing. Source: common practice, no source.
AGEING_DB = 3.0

_LASER_GRADE = (Fibre.OM3, Fibre.OM4, Fibre.OM5)
_MULTIMODE = (Fibre.OM1, Fibre.OM2, *_LASER_GRADE)
#: Loss by scatter alone at a wavelength in nm: no cable loses less. Source: from memory.
_FLOOR_DB_PER_KM = {850: 1.7, 1300: 0.3, 1310: 0.3, 1550: 0.15}


class Application(NamedTuple):
    """What an application allows on a class of fibre. loss_db, length_m: limits."""

    name: str
    fibres: tuple[Fibre, ...]
    wavelength_nm: int
    loss_db: Bound
    length_m: Bound


def _bound(sure: float, beyond: float | None = None) -> Bound:
    return Bound(sure=sure, beyond=sure if beyond is None else beyond)


_APPLICATION = "IEEE 802.3, channel insertion loss and length (from memory)"
#: 1000base-sx on 62.5/125 depends on the fibre's bandwidth: 160 MHz km reaches 220 m, 200 MHz km 275 m.
APPLICATIONS = (
    Application("100base-fx", (Fibre.OM1,), 1300, _bound(11.0), _bound(2000)),
    Application("100base-fx", _MULTIMODE[1:], 1300, _bound(6.0), _bound(2000)),
    Application("1000base-sx", (Fibre.OM1,), 850, _bound(2.38, 2.60), _bound(220, 275)),
    Application("1000base-sx", _MULTIMODE[1:], 850, _bound(3.56), _bound(550)),
    Application("1000base-lx", _MULTIMODE, 1300, _bound(2.35), _bound(550)),
    Application("1000base-lx", (Fibre.OS1A, Fibre.OS2), 1310, _bound(4.57), _bound(5000)),
)
APPLICATION_NAMES = tuple(dict.fromkeys(one.name for one in APPLICATIONS))


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """The way of the light. db_per_km: 0 takes the standard's. iso: 3.5 dB/km for om3 to om5 at 850 nm."""

    fibre: Fibre
    wavelength_nm: int
    length_m: Amount
    connectors: int
    splices: int
    connector_db: float = CONNECTOR_DB
    splice_db: float = SPLICE_DB
    db_per_km: float = 0.0
    iso: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """Data of the transceivers, dBm at the fibre: launch, receiver sensitivity and overload."""

    launch_least_dbm: float
    launch_most_dbm: float
    sensitivity_dbm: float
    overload_dbm: float


def wavelengths(fibre: Fibre) -> tuple[int, ...]:
    """Wavelengths in nm for which a type of fibre has a standard's attenuation."""
    return (850, 1300) if fibre in _MULTIMODE else (1310, 1550)


def attenuation(fibre: Fibre, wavelength_nm: int, *, iso: bool = True) -> float:
    """Greatest dB/km of a cabled fibre at a wavelength. Raises KeyError where the standard has none.

    iso: ISO/IEC 11801-1 allows 3.5 dB/km where TIA-568.3-D allows 3.0 (om3 to om5 at 850 nm).
    Source: TIA-568, ISO/IEC 11801 (from memory).
    """
    if wavelength_nm not in wavelengths(fibre):
        raise KeyError(wavelength_nm)
    if fibre in _MULTIMODE:
        at_850 = 3.0 if fibre in _LASER_GRADE and not iso else 3.5
        return at_850 if wavelength_nm == 850 else 1.5
    return 1.0 if fibre is Fibre.OS1A else 0.4


def application_for(name: str, fibre: Fibre) -> Application | None:
    """What an application allows on this fibre; None if it does not run on it."""
    return next((one for one in APPLICATIONS if one.name == name and fibre in one.fibres), None)


def budget(
    link: Link,
    *,
    optics: Optics | None = None,
    application: Application | None = None,
    ageing_db: float = AGEING_DB,
) -> Working:
    """Loss of the link and, where optics or application are known, whether it works.

    Raises KeyError for a wavelength without a standard's attenuation (and none given).
    Source: TIA-568, ISO/IEC 11801, IEEE 802.3 (from memory).
    """
    loss, steps = _loss(link)
    result, checks = [loss], []
    if application is not None:
        checks += _application_checks(loss, link, application)
        steps.append(_reserve(loss, application, ageing_db))
    if optics is not None:
        received, lines = _received(loss, link, optics, ageing_db)
        result += received
        steps += lines
        checks.append(
            at_least(
                received[0], optics.sensitivity_dbm, "data of the receiver", "enough light at the receiver"
            )
        )
        checks.append(
            at_most(
                received[1],
                optics.overload_dbm,
                "data of the receiver",
                "not too much light; else an attenuator",
            )
        )
    return Working(
        calculation="fibre",
        inputs=_inputs(link, optics, application, ageing_db),
        steps=tuple(steps),
        result=tuple(result),
        checks=tuple(checks),
        caution=CAUTION,
    )


def _loss(link: Link) -> tuple[Outcome, list[Step]]:
    rate = link.db_per_km or attenuation(link.fibre, link.wavelength_nm, iso=link.iso)
    couplings = link.connectors * link.connector_db + link.splices * link.splice_db
    ends = [metres / 1000 * rate + couplings for metres in (link.length_m.low, link.length_m.high)]
    value = link.length_m.value / 1000 * rate + couplings
    fibre_db = link.length_m.value / 1000 * rate
    steps = [
        Step(
            text=f"fibre: {link.length_m.value / 1000:g} km * {rate:g} dB/km = {fibre_db:.4g} dB",
            source="attenuation as given" if link.db_per_km else _LOSS,
        ),
        Step(
            text=f"connections: {link.connectors} * {link.connector_db:g} dB = "
            f"{link.connectors * link.connector_db:.4g} dB",
            source=_MATED if link.connector_db == CONNECTOR_DB else _GIVEN,
        ),
        Step(
            text=f"splices: {link.splices} * {link.splice_db:g} dB = {link.splices * link.splice_db:.4g} dB",
            source=_MATED if link.splice_db == SPLICE_DB else _GIVEN,
        ),
        Step(text=f"loss = {fibre_db:.4g} + {couplings:.4g} = {value:.4g} dB"),
    ]
    return between("loss", value, ends, "dB"), steps


def _application_checks(loss: Outcome, link: Link, application: Application) -> list[Check]:
    length = between("length", link.length_m.value, (link.length_m.low, link.length_m.high), "m")
    return [
        at_most(loss, application.loss_db, _APPLICATION, f"loss that {application.name} allows"),
        at_most(
            length, application.length_m, _APPLICATION, "bandwidth ends the link here, whatever its loss"
        ),
    ]


def _reserve(loss: Outcome, application: Application, ageing_db: float) -> Step:
    """What is left of the allowance. No verdict: the short-wave allowances are smaller than any reserve."""
    left = application.loss_db.sure - loss.value
    kept = "kept" if left >= ageing_db else "not kept"
    return Step(
        text=f"left of {application.loss_db.sure:g} dB: {left:.4g} dB; "
        f"{ageing_db:g} dB for repairs and ageing are {kept}",
        source=COMMON_PRACTICE,
    )


def _received(
    loss: Outcome, link: Link, optics: Optics, ageing_db: float
) -> tuple[list[Outcome], list[Step]]:
    def weakest(loss_db: float) -> float:
        return optics.launch_least_dbm - loss_db - ageing_db

    floor = min(_FLOOR_DB_PER_KM.get(link.wavelength_nm, 0.0), link.db_per_km or float("inf"))
    strongest = [
        optics.launch_most_dbm - metres / 1000 * floor
        for metres in (link.length_m.value, link.length_m.low, link.length_m.high)
    ]
    least = between(
        "least light received", weakest(loss.value), (weakest(loss.low), weakest(loss.high)), "dBm"
    )
    most = between("most light received", strongest[0], strongest[1:], "dBm")
    steps = [
        Step(
            text=f"least light = {optics.launch_least_dbm:g} dBm - {loss.value:.4g} dB - ageing "
            f"{ageing_db:g} dB = {least.value:.4g} dBm",
            source=f"ageing: {COMMON_PRACTICE}",
        ),
        Step(
            text=f"most light = {optics.launch_most_dbm:g} dBm - {link.length_m.value / 1000:g} km * "
            f"{floor:g} dB/km (new, couplings without loss) = {most.value:.4g} dBm",
            source="scatter of the fibre alone: from memory",
        ),
    ]
    return [least, most], steps


def _inputs(
    link: Link, optics: Optics | None, application: Application | None, ageing_db: float
) -> tuple[tuple[str, Amount | str | int], ...]:
    given: list[tuple[str, Amount | str | int]] = [
        ("fibre", link.fibre.value),
        ("wavelength", Amount(value=link.wavelength_nm, unit="nm")),
        ("length", link.length_m),
        ("connectors", link.connectors),
        ("splices", link.splices),
        ("ageing", Amount(value=ageing_db, unit="dB")),
    ]
    if application is not None:
        given.append(("application", application.name))
    if optics is not None:
        names = ("launch_least", "launch_most", "sensitivity", "overload")
        values = (
            optics.launch_least_dbm,
            optics.launch_most_dbm,
            optics.sensitivity_dbm,
            optics.overload_dbm,
        )
        given += [(n, Amount(value=v, unit="dBm")) for n, v in zip(names, values, strict=True)]
    return tuple(given)
