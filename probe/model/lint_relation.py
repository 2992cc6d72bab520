"""Lint of what a device refers to: profile, source of supply, study, reference clock; and sane limits."""

from __future__ import annotations

import posixpath
import zoneinfo
from collections.abc import Iterator
from functools import lru_cache

from probe.model.approval import approval_hash
from probe.model.device_map import Device, Kind
from probe.model.document import shown
from probe.model.errors import Problem
from probe.model.map_draft import Draft, Placed
from probe.model.nearest import did_you_mean, listed
from probe.model.shape import BLANK
from probe.model.surroundings import Surroundings


def no_devices(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A map without a single device: nothing could be tested, and nothing tested is no pass."""
    if draft.devices or any(document.values.get("devices") for document in draft.documents):
        return
    yield draft.main.problem(
        ("devices",),
        "the map lists no devices",
        allowed="at least one device",
        remedy="add entries under devices:, or make a map from a schedule with `buswitness map import`",
        at_key=True,
    )


def unknown_profile(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A profile that the library does not hold."""
    known = set(around.profile_names)
    for entry in draft.written:
        name = entry.values.get("profile", BLANK)
        if name == BLANK or name in known:
            continue
        yield entry.problem(
            "profile",
            f"there is no profile {shown(name)}",
            found=shown(name),
            allowed=listed(around.profile_names),
            remedy=did_you_mean(name, around.profile_names)
            or "see `buswitness profile list`, or give the folder of your own profiles",
        )


def still_blank(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """Texts that an import left blank; blanks that are no texts are told by their type."""
    for name in ("site", "lineup"):
        if draft.main.values.get(name) == BLANK:
            yield draft.main.problem((name,), f"{name} is still to be filled in")
    for entry in draft.written:
        for name in ("profile", "section"):
            if entry.values.get(name) == BLANK:
                allowed = listed(around.profile_names) if name == "profile" else ""
                what = f"the {name} of {entry.tag} is still to be filled in"
                yield entry.problem(name, what, allowed=allowed)


def profile_of_other_kind(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A device whose profile is for another kind of device."""
    for placed in draft.devices:
        device = placed.item
        profile = around.profiles.get(device.profile)
        if profile is not None and profile.kind is not device.kind:
            yield placed.problem(
                ("kind",),
                f"{device.tag} is a {device.kind.value}, its profile is for a {profile.kind.value}",
                found=f"kind {device.kind.value}, profile {profile.name}",
                allowed=f"a profile for a {device.kind.value}, or kind {profile.kind.value}",
            )


def broken_feed(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """``fed_from`` a tag that is not in the map, or a circle of them."""
    for entry in draft.written:
        source = entry.values.get("fed_from")
        if source is not None and source not in draft.tags:
            others = sorted(draft.tags - {entry.tag})
            yield entry.problem(
                "fed_from",
                f"{entry.tag} is fed from {shown(source)}, which is not in the map",
                found=shown(source),
                allowed="the tag of a device of this map",
                remedy=did_you_mean(source, others) or "add that device, or remove the line",
            )
    yield from _feed_circles(draft)


def _feed_circles(draft: Draft) -> Iterator[Problem]:
    """Each circle once, at its member that stands first in the map."""
    feeds = {tag: placed.item.fed_from for tag, placed in draft.by_tag.items()}
    done: set[str] = set()
    for start in feeds:
        path: list[str] = []
        tag: str | None = start
        while tag is not None and tag in feeds and tag not in done:
            done.add(tag)
            path.append(tag)
            tag = feeds[tag]
        if tag is not None and tag in path:
            circle = path[path.index(tag) :]
            first = next(known for known in feeds if known in circle)
            turned = [*circle[circle.index(first) :], *circle[: circle.index(first) + 1]]
            yield draft.by_tag[first].problem(
                ("fed_from",),
                f"{first} is fed from itself" if len(circle) == 1 else "the feeds go in a circle",
                found=" <- ".join(turned),
                allowed="each breaker is fed from one that is not fed from it",
                remedy="correct fed_from after the one-line diagram; a main has none",
            )


def unknown_circuit(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """``measures`` or ``joins`` a tag that is not in the map, or itself; a tie that joins but one."""
    for placed in draft.devices:
        device = placed.item
        for field, named in (
            ("measures", [device.measures] if device.measures else []),
            ("joins", device.joins),
        ):
            for source in named:
                if source not in draft.tags or source == device.tag:
                    others = sorted(draft.tags - {device.tag})
                    what = "itself" if source == device.tag else f"{shown(source)}, which is not in the map"
                    yield placed.problem(
                        (field,),
                        f"{device.tag} {field} {what}",
                        found=shown(source),
                        allowed="the tag of another device of this map",
                        remedy=did_you_mean(source, others) or "correct it after the one-line diagram",
                    )
        if len(device.joins) == 1:
            yield placed.problem(
                ("joins",),
                f"{device.tag} joins only one bus",
                found=device.joins[0],
                allowed="two mains or more",
            )


def beside(name: str, other: str) -> str:
    """The name of a file that is given relative to the named one; folders are joined with ``/``."""
    return posixpath.normpath(posixpath.join(posixpath.dirname(name.replace("\\", "/")), other))


def missing_study(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A study file that is not there; a trip unit without one where others have one."""
    missing: dict[str, bool] = {}
    yield from _missing_whole_study(draft, around)
    for placed in draft.devices:
        if placed.item.study is None or around.exists is None:
            continue
        study = beside(placed.document.name, placed.item.study)
        if study not in missing:
            missing[study] = not around.exists(study)
        if missing[study]:
            remedy = "put the file there, correct the name (relative to the map), or remove the line"
            what = f"the study of {placed.item.tag} is missing"
            yield placed.problem(("study",), what, found=f"{shown(study)}: no such file", remedy=remedy)
    if draft.head is None or draft.head.study is None:
        yield from _without_study(draft)


def _missing_whole_study(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """The study of the whole lineup that is not there."""
    if draft.head is None or draft.head.study is None or around.exists is None:
        return
    study = beside(draft.main.name, draft.head.study)
    if not around.exists(study):
        what = "the study of the lineup is missing"
        remedy = "put the file there, correct the name (relative to the map), or remove the line"
        yield draft.main.problem(("study",), what, found=f"{shown(study)}: no such file", remedy=remedy)


def _without_study(draft: Draft) -> Iterator[Problem]:
    trip_units = [placed for placed in draft.devices if placed.item.kind is Kind.TRIP_UNIT]
    without = [placed for placed in trip_units if placed.item.study is None]
    if without and len(without) < len(trip_units):
        what = f"{len(without)} of {len(trip_units)} trip units name no study"
        yield without[0].problem(
            ("study",),
            what,
            found=listed(placed.item.tag for placed in without),
            remedy="add `study: FILE`, or their settings cannot be compared with the study",
            severity="warning",
        )


def reference_clock(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A reference tag that is not in the map or whose profile has no clock; an unknown time zone."""
    if draft.head is None:
        return
    clock = draft.head.clock
    for number, name in enumerate(clock.references):
        if name.kind == "tag":
            path = ("clock", "reference", number) if len(clock.references) > 1 else ("clock", "reference")
            yield from _reference_tag(draft, around, name.place, path)
    if clock.zone not in _zones():
        yield draft.main.problem(
            ("clock", "zone"),
            "there is no such time zone",
            found=shown(clock.zone),
            allowed="a name of the time zone database, such as UTC or Europe/Dublin",
            remedy=did_you_mean(clock.zone, _zones()),
        )


def _reference_tag(
    draft: Draft, around: Surroundings, tag: str, path: tuple[str | int, ...]
) -> Iterator[Problem]:
    placed = draft.by_tag.get(tag)
    with_clock = [known for known, entry in draft.by_tag.items() if _has_clock(entry, around)]
    if tag not in draft.tags:
        yield draft.main.problem(
            path,
            f"the reference clock {tag} is not in the map",
            found=tag,
            allowed="laptop, ntp:HOST, or tag:TAG of a device with a clock",
            remedy=did_you_mean(tag, with_clock or draft.tags),
        )
    elif placed is not None and placed.item.profile in around.profiles and tag not in with_clock:
        yield draft.main.problem(
            path,
            f"{tag} cannot be the reference: its profile {placed.item.profile} has no clock",
            found=tag,
            allowed=listed(with_clock) or "laptop or ntp:HOST",
        )


def _has_clock(placed: Placed[Device], around: Surroundings) -> bool:
    profile = around.profiles.get(placed.item.profile)
    return profile is not None and profile.clock is not None


@lru_cache(maxsize=1)
def _zones() -> frozenset[str]:
    return frozenset(zoneinfo.available_timezones())


def limits_out_of_reach(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """Limits that no measurement could ever keep, or break."""
    if draft.head is None:
        return
    yield from _clock_tolerance(draft, around)
    reply_s = draft.head.tolerances.reply_ms / 1000
    for name, profile in around.profiles.items():
        if reply_s > profile.limits.timeout_s:
            yield draft.main.problem(
                ("tolerances", "reply_ms"),
                f"no reply of profile {name} comes so late: the tool waits {profile.limits.timeout_s:g} s",
                found=f"{draft.head.tolerances.reply_ms:g} ms",
                allowed=f"at most {profile.limits.timeout_s * 1000:g} ms",
                severity="warning",
            )


def _clock_tolerance(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    assert draft.head is not None
    tolerance_s = draft.head.clock.tolerance_s
    for name, profile in around.profiles.items():
        if profile.clock is not None and tolerance_s < profile.clock.resolution_s:
            yield draft.main.problem(
                ("clock", "tolerance_s"),
                f"the clock of profile {name} shows steps of {profile.clock.resolution_s:g} s, so that a "
                "single reading of it stays in doubt",
                found=f"{tolerance_s:g} s",
                allowed=f"at least {profile.clock.resolution_s:g} s",
                severity="warning",
            )


def not_approved(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A map that changed since it was approved."""
    if draft.head is None or draft.head.approved_sha256 is None:
        return
    now = approval_hash(document.text for document in draft.documents)
    if now != draft.head.approved_sha256:
        yield draft.main.problem(
            ("approved_sha256",),
            "the map is not the one that was approved: it changed since",
            found=draft.head.approved_sha256,
            allowed=now,
            remedy="have the change approved, then write the new hash here",
            severity="warning",
        )


RELATION_RULES = (
    no_devices,
    still_blank,
    unknown_profile,
    profile_of_other_kind,
    broken_feed,
    unknown_circuit,
    missing_study,
    reference_clock,
    limits_out_of_reach,
    not_approved,
)
