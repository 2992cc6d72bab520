"""Profiles that read some points in another way than the device has them, or do not know them at all."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

from probe.model.codec import Encoding, make_decoder
from probe.model.number_codec import IntegerDecoder
from probe.model.profile import Point, Profile


def altered(profile: Profile, word: str, change: Callable[[Point], Point | None]) -> Profile:
    """The profile with each of its points changed; None takes a point away. word: what tells it from others.

    It gets a hash of its own, because decoders and plans are kept by it.
    """
    points = tuple(one for point in profile.points if (one := change(point)) is not None)
    told = hashlib.sha256(f"{profile.sha256} {word}".encode()).hexdigest()
    by_name = {point.name: point for point in points}
    fresh = profile.freshness
    if fresh is not None:
        left = tuple(name for name in fresh.points if name in by_name)
        fresh = replace(fresh, points=left) if left else None
    return replace(profile, sha256=told, points=points, by_name=by_name, freshness=fresh)


def encoded(point: Point, type_name: str, *, order: str = "", scale: Decimal | None = None) -> Point:
    """The point as another type, with its own scale unless another is given."""
    count = 1 if type_name in ("u16", "i16") else 2
    letters = order or ("AB" if count == 1 else "ABCD")
    used = scale_of(point) if scale is None else scale
    decoder = make_decoder(Encoding(type=type_name, count=count, order=letters, scale=used))
    return replace(point, type=type_name, count=count, order=letters, decoder=decoder)


def scale_of(point: Point) -> Decimal:
    """The scale of a whole number; 1 for all others."""
    if isinstance(point.decoder, IntegerDecoder):
        return Decimal(point.decoder.scale.gain) / Decimal(point.decoder.scale.divisor)
    return Decimal(1)
