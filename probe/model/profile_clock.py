"""How a profile says that a clock is set: ``clock: write:`` compiled, every misfit told at its place.

Without ``encoding`` the registers that are read are those that are written, in the same form.
"""

from __future__ import annotations

from typing import NamedTuple

from probe.model.addressing import AddressError, Place, parse_address
from probe.model.clock_codec import clock_registers, make_clock
from probe.model.clock_decoder import ClockDecoder
from probe.model.errors import Problem
from probe.model.profile import Area, ClockWrite, Latch, Point
from probe.model.profile_document import ClockWriteDocument
from probe.model.profile_layers import Layer


class Compiled(NamedTuple):
    """The rule, None with the problems that stand in its way."""

    write: ClockWrite | None
    problems: tuple[Problem, ...]


def compile_write(written: ClockWriteDocument, layer: Layer, point: Point) -> Compiled:
    """The write of a clock whose point is given. layer: the file in which it stands."""
    compiler = _Compiler(layer)
    decoder = compiler.decoder(written, point)
    place = compiler.place(written.address, "address") if written.address else Place(point.area, point.start)
    latch = compiler.latch(written)
    if place is not None and place.area is not Area.HOLDING:
        remedy = "give the address of the holding registers to write" if written.address is None else ""
        compiler.tell(
            "only holding registers can be written", "address", found=place.area.value, remedy=remedy
        )
    if compiler.problems or decoder is None or place is None:
        return Compiled(None, tuple(compiler.problems))
    rule = ClockWrite(
        function=int(written.function),
        start=place.start,
        decoder=decoder,
        registers=decoder.registers,
        resolution_s=decoder.resolution_s,
        latch=latch,
    )
    return Compiled(rule, ())


class _Compiler:
    def __init__(self, layer: Layer) -> None:
        self._layer = layer
        self.problems: list[Problem] = []

    def tell(self, what: str, *path: str, found: str = "", allowed: str = "", remedy: str = "") -> None:
        """Keep a problem at a field of the section."""
        place = ("clock", "write", *path)
        document = self._layer.document
        self.problems.append(document.problem(place, what, found=found, allowed=allowed, remedy=remedy))

    def place(self, text: str, *path: str) -> Place | None:
        """The holding register that the written address means."""
        area = None if self._layer.written.addressing == "reference" else Area.HOLDING
        convention = self._layer.written.addressing
        if convention is None:
            self.tell("the file does not say how its addresses count", *path, remedy="add `addressing: ...`")
            return None
        try:
            return parse_address(text, convention, area)
        except AddressError as error:
            self.tell(error.what, *path, found=text, allowed=error.allowed, remedy=error.remedy)
            return None

    def latch(self, written: ClockWriteDocument) -> Latch | None:
        """The register that is written last."""
        if written.latch is None:
            return None
        place = self.place(written.latch.address, "latch", "address")
        if place is not None and place.area is not Area.HOLDING:
            self.tell("only holding registers can be written", "latch", "address", found=place.area.value)
        return None if place is None else Latch(start=place.start, value=written.latch.value)

    def decoder(self, written: ClockWriteDocument, point: Point) -> ClockDecoder | None:
        """What makes the registers."""
        if written.encoding is None:
            for field in ("fields", "bcd", "order"):
                if getattr(written, field) is not None:
                    self.tell(
                        f"{field} belongs to an encoding of its own", field, remedy="add `encoding: ...`"
                    )
            return point.decoder if isinstance(point.decoder, ClockDecoder) else None
        if (written.encoding == "fields") != (written.fields is not None):
            self.tell("fields lists the registers of `encoding: fields`, and belongs to no other", "fields")
            return None
        try:
            made = make_clock(
                written.encoding,
                family=written.order or "ABCD",
                fields=written.fields or (),
                bcd=written.bcd or False,
            )
        except ValueError as error:
            self.tell(str(error), "fields", found=", ".join(written.fields or ()))
            return None
        assert made.registers == clock_registers(written.encoding, written.fields or ())
        return made
