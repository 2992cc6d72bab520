"""What people write in a profile: fields, words and the rules that one entry alone must keep.

Addresses, orders and not-available values stay text here: what they mean depends on other fields, and the
loader turns them into numbers with a Problem at their place (``profile_compile``). A profile that extends
another is one layer; a point in it may hold only what differs, so no field of a point is required here.

Field names are the YAML keys. Units stand in the names.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema, model_validator

from probe.model.clock_codec import ENCODINGS
from probe.model.codec import TYPES
from probe.model.device_map import Kind, Line, Strict
from probe.model.profile import Area
from probe.model.profile_ups import UpsDocument
from probe.model.profile_words import PointName, Raws, Whole, listed, or_one, whole
from probe.model.quantities import PHASES, QUANTITY_WORDS, STATE_WORDS
from probe.model.setting_document import SettingsDocument
from probe.model.shape import refuse

PROFILE_FORMAT = "buswitness-profile/1"

ProfileName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9.-]{0,59}$")]


def _raw_keys(value: Any) -> Any:
    """Keys such as 0x10 as numbers; two keys that are the same number are refused."""
    if not isinstance(value, dict):
        return value
    keys = [whole(key) for key in value]
    numbers = [int(key) for key in keys if str(key).isdecimal()]
    doubled = [number for number in numbers if numbers.count(number) > 1]
    if doubled:
        raise refuse(f"the number {doubled[0]} stands twice", remedy="keep one of the two")
    return {whole(key): text for key, text in value.items()}


_EMPTY: Any = Field(default_factory=dict)

# A number or text: an editor that reads YAML sees either.
_WRITTEN: dict[str, Any] = {
    "anyOf": [{"type": "integer"}, {"type": "number"}, {"type": "string"}],
    "x-allowed": "a number or text",
}

Written = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200),
    WithJsonSchema(_WRITTEN),
]
Names = Annotated[dict[Whole, Line], BeforeValidator(_raw_keys)]


_NAME = {"type": "string", "pattern": r"^[a-z][a-z0-9_]{0,59}$"}
NameList = Annotated[tuple[PointName, ...], BeforeValidator(listed), or_one(_NAME)]
WrittenList = Annotated[tuple[Written, ...], BeforeValidator(listed), or_one(_WRITTEN)]

TypeWord = Literal[TYPES]  # type: ignore[valid-type]  # the words stand in one place: codec
QuantityWord = Literal[QUANTITY_WORDS]  # type: ignore[valid-type]
PhaseWord = Literal[PHASES]  # type: ignore[valid-type]
EncodingWord = Literal[ENCODINGS]  # type: ignore[valid-type]
FamilyWord = Literal["ABCD", "CDAB", "BADC", "DCBA"]
AddressingWord = Literal["zero_based", "one_based", "reference"]


class PointDocument(Strict):
    """One point, or what a layer changes of it.

    address: by the file's ``addressing``. count: registers, for types of free length. order: letters.
    unit: ``none`` for a plain number. range: plausible ends, in the unit. not_available: bit patterns
    (``0x8000``), numbers before scaling (``-9999``), ``nan``, ``empty``, ``erased``. overlaps: points that
    may share registers with this one. note: for readers of the file.
    """

    title: Line | None = None
    address: Written | None = None
    area: Area | None = None
    type: TypeWord | None = None
    count: Annotated[int, Field(ge=1, le=125)] | None = None
    order: Annotated[str, StringConstraints(pattern=r"^[A-H]{2,8}$")] | None = None
    scale: Decimal | None = None
    offset: Decimal | None = None
    scale_factor: PointName | None = None
    decimals: Annotated[int, Field(ge=0, le=12)] | None = None
    unit: Line | None = None
    quantity: QuantityWord | None = None
    phase: PhaseWord | None = None
    range: tuple[float, float] | None = None
    not_available: WrittenList | None = None
    values: Names | None = None
    bits: Names | None = None
    moves: bool | None = None
    atom: Line | None = None
    overlaps: NameList | None = None
    encoding: EncodingWord | None = None
    fields: Annotated[tuple[Line, ...], Field(min_length=1, max_length=12)] | None = None
    bcd: bool | None = None
    pad: Literal["nul", "space"] | None = None
    note: Line | None = None


class LimitsDocument(Strict):
    """What the type of device bears; what is left out keeps its default (see ``profile.Limits``)."""

    registers: Annotated[int, Field(ge=1, le=125)] | None = None
    bits: Annotated[int, Field(ge=1, le=2000)] | None = None
    sockets: Annotated[int, Field(ge=1, le=64)] | None = None
    gap_s: Annotated[float, Field(ge=0, le=60)] | None = None
    connect_pause_s: Annotated[float, Field(ge=0, le=60)] | None = None
    timeout_s: Annotated[float, Field(gt=0, le=60)] | None = None
    first_timeout_s: Annotated[float, Field(gt=0, le=60)] | None = None
    retries: Annotated[int, Field(ge=0, le=10)] | None = None
    idle_s: Annotated[float, Field(ge=0, le=86_400)] | None = None
    hold_open: bool | None = None
    request_cost_s: Annotated[float, Field(gt=0, le=10)] | None = None
    register_cost_s: Annotated[float, Field(gt=0, le=1)] | None = None


class HoleDocument(Strict):
    """Addresses that must never be asked for: first to last, both included."""

    first: Written
    last: Written
    area: Area | None = None


class IdentityDocument(Strict):
    """How the device says who it is; fields are maker, model, serial, firmware."""

    objects: dict[Literal["maker", "model", "serial", "firmware"], Annotated[Whole, Field(le=255)]] = _EMPTY
    points: dict[Literal["maker", "model", "serial", "firmware"], PointName] = _EMPTY
    expect: dict[Literal["maker", "model", "serial", "firmware"], Line] = _EMPTY


class ProofDocument(Strict):
    """A point whose value is known for every device of the type."""

    point: PointName
    equals: Written


class StateDocument(Strict):
    """A state of the gear: which raw values of a point mean which word."""

    state: Literal["breaker", "position", "maintenance", "communication"]
    point: PointName
    means: dict[str, Raws]
    bus: Line = ""
    mask: Whole = 0

    @model_validator(mode="after")
    def _known_words(self) -> StateDocument:
        words = STATE_WORDS[self.state]
        unknown = [word for word in self.means if word not in words]
        if unknown:
            raise refuse(
                f"{unknown[0]} is no word for {self.state}",
                allowed=", ".join(words),
                at=("means", unknown[0]),
            )
        return self


class AlarmDocument(Strict):
    """An alarm or trip: one bit of a point, or raw values (under a mask) that mean it."""

    name: PointName
    title: Line
    point: PointName
    severity: Literal["trip", "alarm", "notice"]
    bit: Annotated[int, Field(ge=0, le=63)] | None = None
    mask: Whole | None = None
    active: Raws | None = None

    @model_validator(mode="after")
    def _one_way(self) -> AlarmDocument:
        if (self.bit is None) == (self.active is None):
            raise refuse(
                "an alarm is given by bit, or by active (with mask if needed)", allowed="one of the two"
            )
        if self.bit is not None and self.mask is not None:
            raise refuse("mask belongs to active; bit is its own mask", at=("mask",))
        return self


class EventDocument(Strict):
    """One entry of the device's own event log: points for its running number, what happened, and when."""

    number: PointName
    code: PointName
    time: PointName


class SyncDocument(Strict):
    """Where the device says whether its clock is kept in step. good: raw values that mean it is."""

    point: PointName
    good: Raws


class LatchDocument(Strict):
    """A register to write last, so that the device takes over the clock registers written before."""

    address: Written
    value: Annotated[
        Whole, Field(le=65_535, json_schema_extra={"x-allowed": "a whole number from 0 to 65535, or 0x..."})
    ]


class ClockWriteDocument(Strict):
    """How the clock is set. Left out, address and encoding are those of the clock point itself.

    function: 6 writes one register a request, 16 all at once. latch: written last.
    """

    function: Annotated[Literal["6", "16"], BeforeValidator(str), WithJsonSchema({"enum": [6, 16]})] = "16"
    address: Written | None = None
    encoding: EncodingWord | None = None
    order: FamilyWord | None = None
    fields: Annotated[tuple[Line, ...], Field(min_length=1, max_length=12)] | None = None
    bcd: bool | None = None
    latch: LatchDocument | None = None


class ClockDocument(Strict):
    """The device's own clock. unset: what it shows when it was never set, as 2000-01-01T00:00:00."""

    point: PointName
    zone: Literal["utc", "local"]
    resolution_s: Annotated[float, Field(gt=0, le=86_400)] | None = None
    unset: Annotated[str, StringConstraints(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d$")] | None = None
    sync: SyncDocument | None = None
    write: ClockWriteDocument | None = None


class FreshnessDocument(Strict):
    """Points of which at least one moves on a live device within after_s."""

    points: Annotated[NameList, Field(min_length=1)]
    after_s: Annotated[float, Field(gt=0, le=3600)]


class EnergizedDocument(Strict):
    """Voltages that tell whether the circuit is live: any of them above the limit (in its unit)."""

    points: Annotated[NameList, Field(min_length=1)]
    above: Annotated[float, Field(gt=0)]


class QuirksDocument(Strict):
    """Known departures from the standard."""

    transaction_not_echoed: bool | None = None
    unit_not_echoed: bool | None = None


Percent = Annotated[float, Field(gt=0, le=50)]


class AccuracyDocument(Strict):
    """How exact the type measures; what is left out keeps its default (see ``profile.Accuracy``).

    energy_class: of the counters, as on the nameplate (``0.5S`` counts as 0.5).
    """

    voltage_percent: Percent | None = None
    current_percent: Percent | None = None
    power_percent: Percent | None = None
    reactive_percent: Percent | None = None
    energy_class: Literal["0.1", "0.1S", "0.2", "0.2S", "0.5", "0.5S", "1", "2", "3"] | None = None
    power_factor: Annotated[float, Field(gt=0, le=0.5)] | None = None
    frequency_hz: Annotated[float, Field(gt=0, le=5)] | None = None
    minimum_load_percent: Annotated[float, Field(gt=0, le=100)] | None = None
    update_s: Annotated[float, Field(ge=0, le=60)] | None = None


class ConventionsDocument(Strict):
    """What standards leave to the maker; what is left out is not compared."""

    power_factor_sign: Literal["active", "reactive", "none"] | None = None
    apparent_power: Literal["arithmetic", "vector"] | None = None


class ProfileDocument(Strict):
    """One file: a type of device, or a layer over another one.

    addressing: how addresses are written in this file; it must always be said. area: default for points
    of zero_based and one_based files. order: default for numbers of several registers. remove: points of
    the extended profile that this type does not have.
    """

    format: Literal["buswitness-profile/1"]
    name: ProfileName
    addressing: AddressingWord
    title: Line | None = None
    kind: Kind | None = None
    extends: ProfileName | None = None
    area: Area | None = None
    order: FamilyWord | None = None
    note: Line | None = None
    limits: LimitsDocument = LimitsDocument()
    quirks: QuirksDocument = QuirksDocument()
    accuracy: AccuracyDocument = AccuracyDocument()
    conventions: ConventionsDocument = ConventionsDocument()
    identity: IdentityDocument = IdentityDocument()
    proof: tuple[ProofDocument, ...] = ()
    states: tuple[StateDocument, ...] = ()
    alarms: tuple[AlarmDocument, ...] = ()
    events: tuple[EventDocument, ...] = ()
    clock: ClockDocument | None = None
    freshness: FreshnessDocument | None = None
    energized: EnergizedDocument | None = None
    ups: UpsDocument | None = None
    uptime: PointName | None = None
    settings: SettingsDocument | None = None
    holes: tuple[HoleDocument, ...] = ()
    remove: NameList = ()
    points: dict[PointName, PointDocument] = _EMPTY


#: What people write for our fields, and what is meant (for the "did you mean" of errors).
HINTS = {
    "registers": "points",
    "base": "addressing",
    "byte_order": "order",
    "word_order": "order",
    "endian": "order",
    "length": "count",
    "size": "count",
    "multiplier": "scale",
    "factor": "scale",
    "units": "unit",
    "register": "address",
    "function": "area",
    "datatype": "type",
    "data_type": "type",
    "enum": "values",
    "min": "range",
    "max": "range",
    "description": "title",
    "vendor": "maker",
    "manufacturer": "maker",
}
