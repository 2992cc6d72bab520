"""What a map is held against: the profiles that it uses and the files that it names."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from probe.model.profile import Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """profiles: compiled, those that the map uses and that load. exists: None where no file can be asked."""

    profiles: Mapping[str, Profile]
    profile_names: tuple[str, ...]
    exists: Callable[[str], bool] | None = None
