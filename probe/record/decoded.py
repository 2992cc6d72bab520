"""Decoded: what the bytes of one exchange say, point by point, by the profile that the record carries."""

from __future__ import annotations

from typing import NamedTuple

from probe.judge.blocks import block_of, decode, holds
from probe.judge.wording import value_text
from probe.model.errors import InputError
from probe.model.evidence import Exchange, Outcome, Purpose
from probe.model.lineup import Lineup
from probe.model.pdu import identification, pdu_of
from probe.model.reading import Quality
from probe.model.text_codec import clean_text
from probe.record.content import RecordContent, lineup_of


class Field(NamedTuple):
    """One value in an answer. name: of the point, or of the object; address: PDU address, or object id.

    raw: its bytes. value: scaled, as people write it; empty if it is none. quality: what it is worth.
    """

    name: str
    title: str
    address: int
    raw: bytes
    value: str
    unit: str
    quality: str


class Decoding:
    """The lineups of a record (of a merged one: of each run inside), loaded once."""

    def __init__(self, content: RecordContent) -> None:
        self._content = content
        self._lineups: dict[int, Lineup | None] = {}

    def fields(self, number: int, exchange: Exchange) -> tuple[Field, ...]:
        """What the answer holds, in rising address; empty if it is no data or the tag is not in the map."""
        lineup = self._lineup_at(number)
        if exchange.outcome is not Outcome.DATA or lineup is None or exchange.tag not in lineup.map.by_tag:
            return ()
        if exchange.purpose is Purpose.ABSENT_UNIT:
            return ()  # what an unknown unit says cannot be read with another one's profile
        pdu = pdu_of(exchange.response, exchange.framing)
        if pdu[:1] == b"\x2b":
            return _objects(lineup, exchange.tag, pdu)
        return _points(lineup, number, exchange)

    def _lineup_at(self, number: int) -> Lineup | None:
        """The lineup of the run that the line belongs to; None if its texts do not load any more."""
        runs = self._content.runs
        at = next((i for i, run in enumerate(runs) if run.first <= number < run.first + run.count), -1)
        if at not in self._lineups:
            header = runs[at].header if at >= 0 else self._content.header
            try:
                self._lineups[at] = lineup_of(header) if header.map_texts else None
            except InputError:
                self._lineups[at] = None
        return self._lineups[at]


def _points(lineup: Lineup, number: int, exchange: Exchange) -> tuple[Field, ...]:
    device = lineup.map.by_tag[exchange.tag]
    profile = lineup.profile_of(device)
    block = block_of(number, exchange, device.register_shift)
    if block is None:
        return ()
    fields = []
    for point in sorted(profile.points, key=lambda p: p.start):
        if holds(block, point):
            reading = decode(profile, point, block)
            shown = reading.quality in (Quality.GOOD, Quality.OUT_OF_TYPE)
            value = value_text(point, reading.value) if shown else ""
            fields.append(
                Field(
                    point.name,
                    point.title,
                    point.start,
                    reading.raw,
                    value,
                    point.unit,
                    reading.quality.value,
                )
            )
    return tuple(fields)


def _objects(lineup: Lineup, tag: str, pdu: bytes) -> tuple[Field, ...]:
    """Objects of Read Device Identification, named as the profile names them."""
    rule = lineup.profile_of(lineup.map.by_tag[tag]).identity.objects
    names = {number: field for field, number in rule.items()}
    return tuple(
        Field(names.get(number, ""), f"object {number}", number, data, clean_text(data)[0], "", "good")
        for number, data in identification(pdu).objects
    )
