"""What is worked out once for each profile and kept by its identity: how much of it is kept.

A process that sweeps loads the same profiles again for every run. What it holds must stay level, so the
oldest go when there are many; lineups need a few dozen.
"""

from __future__ import annotations

from typing import Any

PROFILES_KEPT = 128


def make_room(known: dict[int, Any]) -> None:
    """Drop the oldest eighth of a store that is full. known: by ``id`` of a profile that it keeps alive."""
    if len(known) >= PROFILES_KEPT:
        for oldest in list(known)[: PROFILES_KEPT // 8]:  # a list first: other threads may add meanwhile
            known.pop(oldest, None)
