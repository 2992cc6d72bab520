"""Register image: values by point name to what the registers hold; the reverse of ``block``.

The practice lineup and the tests make devices with it. Scale factors are points too: give the exponent
beside the values that use it.
"""

from __future__ import annotations

from collections.abc import Mapping

from probe.model.number_codec import FactoredDecoder
from probe.model.profile import Area, Point, Profile
from probe.model.reading import Value

#: (area, PDU address) to the register's 16 bits, or 0 and 1 for coils and discrete inputs.
Image = dict[tuple[Area, int], int]


def encode_point(point: Point, value: Value | None, exponent: int | None = None) -> bytes:
    """The point's registers that show the value (None: not available).

    exponent: what the scale-factor register holds, for a point that has one.
    Raises ValueError if the value does not fit, or the exponent is missing.
    """
    decoder = point.decoder
    if isinstance(decoder, FactoredDecoder) and value is not None:
        if exponent is None:
            raise ValueError(f"{point.name} needs the exponent of {point.scale_factor}")
        return decoder.encode_with(value, exponent)
    return decoder.encode(value)


def register_image(profile: Profile, values: Mapping[str, Value | None]) -> Image:
    """The registers of all given points; a point that is left out leaves its registers out.

    Overlapping points: the one given later wins. Raises KeyError for a point that the profile has not,
    ValueError (with the point's name) for a value that does not fit.
    """
    image: Image = {}
    for name, value in values.items():
        point = profile.by_name[name]
        exponent = values.get(point.scale_factor)
        try:
            raw = encode_point(point, value, exponent if isinstance(exponent, int) else None)
        except ValueError as error:
            raise ValueError(f"{name}: {error}") from error
        image.update(place(point, raw))
    return image


def place(point: Point, raw: bytes) -> Image:
    """A point's raw bytes as registers at their addresses."""
    if point.area.is_bits:
        return {(point.area, point.start): raw[0]}
    words = (int.from_bytes(raw[i : i + 2], "big") for i in range(0, len(raw), 2))
    return {(point.area, point.start + index): word for index, word in enumerate(words)}


def block_payload(image: Image, area: Area, start: int, count: int) -> bytes:
    """What a read of the block answers: two bytes a register, or packed bits; 0 where nothing is."""
    cells = [image.get((area, address), 0) for address in range(start, start + count)]
    if not area.is_bits:
        return b"".join(cell.to_bytes(2, "big") for cell in cells)
    packed = sum(cell << index for index, cell in enumerate(cells))
    return packed.to_bytes((count + 7) // 8, "little")
