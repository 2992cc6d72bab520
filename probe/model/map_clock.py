"""Clock: what the devices' clocks of a map are held against, and how closely."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, StringConstraints

from probe.model.map_words import Line, Strict
from probe.model.reference_name import PATTERN, ReferenceName, is_address, reference_name
from probe.model.shape import refuse


def _possible(text: str) -> str:
    name = reference_name(text)
    if name.port > 65_535:
        raise refuse("the reference's port is out of range", allowed="a port from 1 to 65535")
    if name.kind == "ntp" and ":" in name.place and not is_address(name.place):
        raise refuse("this is no address", allowed="ntp:HOST, ntp:HOST:PORT or ntp:[ADDRESS]:PORT")
    return text


_Reference = Annotated[
    str,
    StringConstraints(pattern=PATTERN),
    AfterValidator(_possible),
    Field(json_schema_extra={"x-allowed": "laptop, or tag:TAG, or ntp:HOST (no space after the colon)"}),
]


class Clock(Strict):
    """The reference clock: the laptop, a tag of this map (a master controller), or an NTP server."""

    reference: Annotated[
        _Reference | Annotated[tuple[_Reference, ...], Field(min_length=1, max_length=9)],
        Field(
            description="laptop, tag:TAG of a device of this map that has a clock, or ntp:HOST; or a list of "
            "them, which are compared with each other first, so that a false one is found."
        ),
    ] = "laptop"
    tolerance_s: Annotated[
        float, Field(gt=0, description="How far a device's clock may stand from the reference, seconds.")
    ] = 2.0
    drift_ppm: Annotated[
        float,
        Field(
            gt=0,
            le=20_000,
            description="How far a device's clock may gain or lose, parts per million. Every interval is "
            "widened by it between two readings.",
        ),
    ] = 200.0
    order_s: Annotated[
        float | None,
        Field(
            gt=0,
            description="How far apart two events may be, seconds, whose order their stamps must still "
            "tell. Left out: what clocks within the tolerance can.",
        ),
    ] = None
    zone: Annotated[
        Line,
        Field(
            description="Time zone of devices that show local time, by its name in the time zone database.",
            examples=["UTC", "Europe/Dublin"],
        ),
    ] = "UTC"

    @property
    def reference_texts(self) -> tuple[str, ...]:
        """The references as the map names them, each once, in its order."""
        named = (self.reference,) if isinstance(self.reference, str) else self.reference
        return tuple(dict.fromkeys(named))

    @property
    def reference_words(self) -> str:
        """The references as text, for people."""
        return ", ".join(self.reference_texts)

    @property
    def references(self) -> tuple[ReferenceName, ...]:
        """The parts of each reference's name."""
        return tuple(reference_name(text) for text in self.reference_texts)

    def is_reference(self, tag: str) -> bool:
        """True if the tag's clock is the one reference; one among several is judged like any other."""
        return self.references == (ReferenceName("tag", tag),)
