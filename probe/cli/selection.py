"""Which devices of a map a run is to test: --only and --skip.

A value is a tag or a pattern of tags (``52-F*``), ``kind:meter``, ``section:2``, ``tag:52-F3``, or a bare
word that matches a tag, a kind or a section. What matches nothing is an error with the nearest names: a
mistyped ``--skip`` must not test what should be left alone.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from fnmatch import fnmatchcase

from probe.model.device_map import Device, DeviceMap
from probe.model.errors import InputError, Problem

_FIELDS = ("tag", "kind", "section")


def choose(
    lineup_map: DeviceMap, only: Sequence[str], skip: Sequence[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The tags to test and those left out, both in the map's order.

    Raises InputError with every value that matches no device, or if nothing remains to be tested.
    """
    wanted, unknown_only = _matches(lineup_map, only, "--only")
    unwanted, unknown_skip = _matches(lineup_map, skip, "--skip")
    if unknown_only or unknown_skip:
        raise InputError(unknown_only + unknown_skip)
    tags = [device.tag for device in lineup_map.devices]
    chosen = tuple(tag for tag in tags if (not only or tag in wanted) and tag not in unwanted)
    if not chosen:
        raise InputError([_nothing_left(lineup_map, only, skip)])
    return chosen, tuple(tag for tag in tags if tag not in set(chosen))


def _matches(lineup_map: DeviceMap, values: Sequence[str], option: str) -> tuple[set[str], list[Problem]]:
    """Tags that one of the values names, and a problem for each value that names none."""
    found: set[str] = set()
    problems: list[Problem] = []
    for value in values:
        hits = {device.tag for device in lineup_map.devices if _names(value, device)}
        found |= hits
        if not hits:
            problems.append(_unknown(lineup_map, value, option))
    return found, problems


def _names(value: str, device: Device) -> bool:
    """True if the value speaks of the device. Letters match whatever their case, as people type them."""
    field, _, pattern = value.partition(":")
    if field.lower() in _FIELDS and pattern:
        return _fits(getattr(device, field.lower()), pattern)
    return any(_fits(getattr(device, name), value) for name in _FIELDS)


def _fits(text: str, pattern: str) -> bool:
    return text.lower() == pattern.lower() or fnmatchcase(text.lower(), pattern.lower())


def _unknown(lineup_map: DeviceMap, value: str, option: str) -> Problem:
    """The problem of a value that matches nothing, with what comes nearest."""
    field, _, pattern = value.partition(":")
    fields = (field.lower(),) if field.lower() in _FIELDS and pattern else _FIELDS
    word = pattern if len(fields) == 1 else value
    names = list(dict.fromkeys(getattr(device, name) for name in fields for device in lineup_map.devices))
    by_lower = {str(name).lower(): str(name) for name in names}
    near = [by_lower[hit] for hit in difflib.get_close_matches(word.lower(), by_lower, n=3, cutoff=0.5)]
    return Problem(
        file=option,
        what="this matches no device of the map",
        found=value,
        allowed="a tag or pattern (52-F*), kind:..., section:..., or a bare kind or section name",
        remedy=f"nearest: {', '.join(near)}" if near else "see the tags, kinds and sections in the map",
    )


def _nothing_left(lineup_map: DeviceMap, only: Sequence[str], skip: Sequence[str]) -> Problem:
    """The problem of a choice that leaves nothing, or of a map without devices."""
    if not lineup_map.devices:
        return Problem(
            file="map",
            what="the map has no devices: nothing can be tested",
            remedy="add them under `devices`, or make the map with `buswitness map import`",
        )
    return Problem(
        file="--skip" if skip else "--only",
        what="nothing is left to test",
        found=" ".join([f"--only {value}" for value in only] + [f"--skip {value}" for value in skip]),
        remedy="leave out less",
    )
