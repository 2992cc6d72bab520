"""Study: the settings that the engineers ask for, device by device, ready to be compared.

A study is theirs; this program holds it against what the devices show, and changes nothing of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from probe.model.protection import FUNCTIONS, FunctionSetting, RatingBases, Shape
from probe.model.setting_text import Amount, Delay, DelayUnit

#: How far a found setting may stand from the study where it states no tolerance; common practice, no source.
DEFAULT_PERCENT = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StudiedFunction:
    """One function as the study asks for it; None: the study does not say."""

    enabled: bool | None = None
    pickup: Amount | None = None
    delay: Delay | None = None
    shape: Shape | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StudiedDevice:
    """One device as the study asks for it. place: ``file:line:column`` of its entry.

    active: group that should be in force, None for the normal one. writing: whether settings may be written
    over the network; None: the study does not say.
    """

    tag: str
    place: str
    groups: Mapping[str, Mapping[str, StudiedFunction]]
    alarms: Mapping[str, Mapping[str, Amount]] = field(default_factory=dict)
    sensor_a: float | None = None
    plug_a: float | None = None
    active: str | None = None
    writing: bool | None = None

    def bases(self, group: str, sensor_a: float | None, plug_a: float | None) -> RatingBases:
        """Amperes behind the study's multiples; its own ratings go before those of the map."""
        known = RatingBases(
            sensor_a=self.sensor_a if self.sensor_a is not None else sensor_a,
            plug_a=self.plug_a if self.plug_a is not None else plug_a,
        )
        long_time = self.groups.get(group, {}).get("long_time") or self.groups.get("normal", {}).get(
            "long_time"
        )
        if long_time is None or long_time.pickup is None:
            return known
        return replace(known, pickup_a=amperes(long_time.pickup, known))


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A whole study file. name, sha256: of the file; the rest as its head says.

    refused: devices whose entry cannot be used, and why.
    """

    name: str
    sha256: str
    site: str
    lineup: str
    title: str
    reference: str
    author: str
    revision: str
    date: str
    devices: Mapping[str, StudiedDevice]
    pickup_percent: float = DEFAULT_PERCENT
    delay_percent: float = DEFAULT_PERCENT
    tolerance_stated: bool = False
    refused: Mapping[str, str] = field(default_factory=dict)

    @property
    def tags(self) -> frozenset[str]:
        """Every device that the study names."""
        return frozenset(self.devices) | frozenset(self.refused)

    @property
    def label(self) -> str:
        """Reference, revision, date and hash: what stands on every output."""
        return f"{self.reference} revision {self.revision} of {self.date}, SHA-256 {self.sha256[:16]}"


def amperes(amount: Amount, bases: RatingBases) -> float | None:
    """The pickup in amperes; None where its base is not known."""
    base = bases.of(amount.base)
    return None if base is None else amount.number * base


def resolved(function: StudiedFunction, bases: RatingBases, frequency_hz: float) -> FunctionSetting:
    """The function in amperes and seconds."""
    pickup_a = None if function.pickup is None else amperes(function.pickup, bases)
    delay = function.delay
    at = None if delay is None else delay.at
    return FunctionSetting(
        enabled=function.enabled,
        pickup_a=pickup_a,
        delay=None if delay is None else delay.value(frequency_hz),
        delay_unit="" if delay is not None and delay.unit is DelayUnit.MULTIPLIER else "s",
        multiple=0.0 if at is None else at.number,
        base="" if at is None else (at.base or "A"),
        shape=function.shape,
    )


def resolved_group(
    device: StudiedDevice, group: str, sensor_a: float | None, plug_a: float | None, frequency_hz: float
) -> dict[str, FunctionSetting]:
    """All functions of a group in amperes and seconds, in the usual order."""
    bases = device.bases(group, sensor_a, plug_a)
    functions = device.groups.get(group, {})
    return {name: resolved(functions[name], bases, frequency_hz) for name in FUNCTIONS if name in functions}
