"""The commands ``desk fibre`` and ``desk conduit``, and how every desk calculation is shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from probe.cli import desk_amount as given
from probe.cli.failure import Exit
from probe.desk import conduit as conduits
from probe.desk import fibre as fibres
from probe.desk.working import Working
from probe.model.cable_words import Cable, Fibre
from probe.model.finding import Verdict
from probe.present.console import emit_json, say
from probe.present.desk_page import desk_document, desk_lines


def show(working: Working, *, as_json: bool) -> int:
    """Show a calculation; 1 if it fails a limit, else 0 (a review or no limit at all fails nothing)."""
    if as_json:
        emit_json(desk_document(working))
    else:
        for line in desk_lines(working):
            say(line)
    return Exit.FINDINGS_FAIL if working.verdict is Verdict.FAIL else Exit.DONE


@dataclass(frozen=True, slots=True, kw_only=True)
class FibreWanted:
    """What was typed for ``desk fibre``; empty texts were left out."""

    fibre: str
    wavelength: str
    length: str
    connectors: int
    splices: int
    connector_loss: str
    splice_loss: str
    attenuation: str
    tia: bool
    application: str
    launch: Sequence[str]
    sensitivity: str
    overload: str
    ageing: str


def fibre(wanted: FibreWanted, *, as_json: bool) -> int:
    """Show the optical budget. Raises InputError for what cannot be read."""
    link = _link(wanted)
    application = None
    if wanted.application:
        name = given.choice("--application", wanted.application, fibres.APPLICATION_NAMES)
        application = fibres.application_for(name, link.fibre)
        if application is None:
            fits = ", ".join(
                dict.fromkeys(one.name for one in fibres.APPLICATIONS if link.fibre in one.fibres)
            )
            raise given.problem("--application", f"{name} does not run on {link.fibre}", name, fits or "none")
        if application.wavelength_nm != link.wavelength_nm:
            raise given.problem(
                "--wavelength",
                f"{name} uses another wavelength on {link.fibre}",
                wanted.wavelength,
                f"{application.wavelength_nm} nm",
            )
    working = fibres.budget(
        link,
        optics=_optics(wanted),
        application=application,
        ageing_db=given.value("--ageing", wanted.ageing, given.LOSS),
    )
    return show(working, as_json=as_json)


def _link(wanted: FibreWanted) -> fibres.Link:
    kind = Fibre(given.choice("--fibre", wanted.fibre, tuple(Fibre)))
    nm = round(given.value("--wavelength", wanted.wavelength, given.WAVELENGTH, above=True))
    rate = (
        given.value("--attenuation", wanted.attenuation, given.SLOPE, above=True)
        if wanted.attenuation
        else 0.0
    )
    if not rate and nm not in fibres.wavelengths(kind):
        allowed = ", ".join(f"{one} nm" for one in fibres.wavelengths(kind))
        raise given.problem(
            "--wavelength",
            f"no attenuation of {kind} is known there",
            wanted.wavelength,
            allowed,
            "or give the cable's own by --attenuation",
        )
    for option, count in (("--connectors", wanted.connectors), ("--splices", wanted.splices)):
        if count < 0:
            raise given.problem(option, "this is no count", str(count), "0 or more")
    return fibres.Link(
        fibre=kind,
        wavelength_nm=nm,
        length_m=given.amount("--length", wanted.length, given.LENGTH, above=True),
        connectors=wanted.connectors,
        splices=wanted.splices,
        connector_db=given.value("--connector-loss", wanted.connector_loss, given.LOSS),
        splice_db=given.value("--splice-loss", wanted.splice_loss, given.LOSS),
        db_per_km=rate,
        iso=not wanted.tia,
    )


def _optics(wanted: FibreWanted) -> fibres.Optics | None:
    if not wanted.launch and not wanted.sensitivity and not wanted.overload:
        return None
    if len(wanted.launch) != 2 or not wanted.sensitivity or not wanted.overload:
        raise given.problem(
            "--launch",
            "the data of the transceivers are incomplete",
            " ".join(wanted.launch),
            "--launch twice (least, most), --sensitivity and --overload together",
        )

    def level(option: str, text: str) -> float:
        return given.value(option, text, given.LEVEL, least=-100)

    launch = sorted(level("--launch", text) for text in wanted.launch)
    optics = fibres.Optics(
        launch_least_dbm=launch[0],
        launch_most_dbm=launch[1],
        sensitivity_dbm=level("--sensitivity", wanted.sensitivity),
        overload_dbm=level("--overload", wanted.overload),
    )
    if optics.overload_dbm <= optics.sensitivity_dbm:
        raise given.problem(
            "--overload",
            "a receiver is overloaded above its sensitivity, not below",
            wanted.overload,
            f"above {optics.sensitivity_dbm:g} dBm",
        )
    return optics


@dataclass(frozen=True, slots=True, kw_only=True)
class ConduitWanted:
    """What was typed for ``desk conduit``."""

    cables: Sequence[str]
    distance: str
    data_class: str
    divider: str
    circuits: int
    feeder: str = ""


def conduit(wanted: ConduitWanted, *, as_json: bool) -> int:
    """Show which cables may run together. Raises InputError for what cannot be read."""
    kinds = tuple(Cable)
    cables = [Cable(given.choice("--cable", text, kinds)) for text in wanted.cables]
    beside = None
    if wanted.distance:
        circuits = wanted.circuits
        if wanted.feeder:
            feeder_a = given.value("--feeder", wanted.feeder, given.CURRENT, above=True)
            circuits += conduits.circuits_of(feeder_a, 3)
        if circuits < 1:
            raise given.problem(
                "--circuits",
                "how many power circuits?",
                str(wanted.circuits),
                "1 or more",
                "a three-phase feeder counts as three, one above 20 A in multiples of 20 A",
            )
        beside = conduits.Neighbourhood(
            data_class=given.choice("--class", wanted.data_class, conduits.CLASSES),
            divider=given.choice("--divider", wanted.divider, conduits.DIVIDERS),
            circuits=circuits,
            distance_mm=given.amount("--distance", wanted.distance, given.SHORT),
        )
    return show(conduits.conduit(cables, beside), as_json=as_json)
