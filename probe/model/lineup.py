"""Lineup: a map with its profiles, whole and checked; what an audit starts from and a record carries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from probe.model.device_map import Device, DeviceMap
from probe.model.profile import Profile
from probe.model.study import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceText:
    """One input file as it was read: name as the map or user names it, its text, SHA-256 of its bytes."""

    name: str
    text: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lineup:
    """map_texts: the map first, then its includes. profile_texts: all that the map's profiles need.

    studies: by tag, the study that speaks of the device. study_texts: the files of the studies.
    sheet_texts: procedures and checklists that people work through in this run; parsed where they are used.
    """

    map: DeviceMap
    profiles: Mapping[str, Profile]
    map_texts: tuple[SourceText, ...]
    profile_texts: tuple[SourceText, ...]
    studies: Mapping[str, Study] = field(default_factory=dict)
    study_texts: tuple[SourceText, ...] = ()
    sheet_texts: tuple[SourceText, ...] = ()

    def profile_of(self, device: Device) -> Profile:
        """The profile of a device of the map."""
        return self.profiles[device.profile]
