"""Scope: which part of a lineup a run is to test, and how."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyScope:
    """How a survey looks at a network. interface: where it listens, empty for nowhere.

    listen_s: how long it listens before it speaks. speak: False for listening alone. ranges: those that the
    user confirmed, beside the addresses of the map: networks, or ``first-last``. services: plaintext services
    are asked for too. failover: names of links that are pulled while all devices are asked fast; then nothing
    else is looked at.
    """

    interface: str = ""
    listen_s: float = 0.0
    speak: bool = True
    ranges: tuple[str, ...] = ()
    services: bool = False
    failover: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """tags: the devices to test, in the map's order; empty only where people alone answer (checklist).

    left_out: tags of the map that the user left out (``--only``, ``--skip``): not tested, not required.
    quick: identity, proof and one poll; no freshness, no clock. dwell_s: keep polling for so long, 0: two
    rounds only. poll_pause_s: pause between rounds of a dwell.
    clocks_only: identity, proof and clocks, nothing else. fine: measure clocks as finely as the gear allows,
    not only until their verdict is certain. patient: also those that show whole minutes, however long.
    set_clocks: tags whose clocks are to be set. settings_only: identity, proof and twice the protective
    settings, nothing else. sheets: names of the procedures and checklists that people work through while the
    tool watches; a run with any is for them alone.
    targets: tags that somebody acts on (empty: all that the sheets are for); the others are only watched.
    checks: a retest repeats just these, ``check@subject`` or ``*@tag`` for all of a device, after what must
    come first (see ``judge.repeat``); empty for all.
    sheet_values: what a site has decided, as ``discharge=20 min``.
    survey: None unless the run looks at the network itself; then devices are only asked who they are.
    """

    tags: tuple[str, ...]
    left_out: tuple[str, ...] = ()
    quick: bool = False
    dwell_s: float = 0.0
    poll_pause_s: float = 1.0
    clocks_only: bool = False
    fine: bool = False
    patient: bool = False
    set_clocks: tuple[str, ...] = ()
    settings_only: bool = False
    sheets: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    sheet_values: tuple[str, ...] = ()
    survey: SurveyScope | None = None
    checks: tuple[str, ...] = ()
