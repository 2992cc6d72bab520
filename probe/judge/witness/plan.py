"""Which steps a run is to witness: the procedures of its record, for each device, bus or the lineup.

A pure function of lineup and scope, so that what was not done shows as not tested.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from probe.judge.witness.sense import Sense
from probe.model.device_map import Device
from probe.model.lineup import Lineup
from probe.model.procedure import Procedure, Step
from probe.model.procedure_load import filled, procedure_of
from probe.model.scope import Scope
from probe.model.signal_words import Signal, signal_of

LINEUP = "lineup"
BUS = "bus "


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One step for one device, bus or the lineup. about: tag, ``bus A``, or empty for the lineup."""

    procedure: Procedure
    step: Step
    about: str

    @property
    def key(self) -> tuple[str, str, str]:
        """How answers name it: sheet, item, tag."""
        return (self.procedure.name, self.step.id, self.about)

    @property
    def subject(self) -> str:
        """What its findings are about."""
        return self.about if self.about and not self.about.startswith(BUS) else LINEUP

    @property
    def point(self) -> str:
        """What tells its findings apart from those of other steps."""
        place = self.about.removeprefix(BUS) if self.about.startswith(BUS) else ""
        return "/".join(filter(None, (self.procedure.name, self.step.id, place)))

    @property
    def bus(self) -> str:
        """The bus, empty where the step is about none."""
        return self.about.removeprefix(BUS) if self.about.startswith(BUS) else ""


class WitnessPlan:
    """All items of a run in order, and what their words mean in this lineup."""

    def __init__(self, lineup: Lineup, scope: Scope) -> None:
        self.lineup = lineup
        self.scope = scope
        self.tags = scope.tags
        self.devices: Mapping[str, Device] = {tag: lineup.map.by_tag[tag] for tag in scope.tags}
        self.senses = _senses(lineup, scope.tags)
        texts = (procedure_of(text) for text in lineup.sheet_texts)
        self.procedures = tuple(p for p in texts if p is not None and p.name in scope.sheets)
        self.items = tuple(item for procedure in self.procedures for item in self._items(procedure))
        self._by_key = {item.key: item for item in self.items}

    def find(self, sheet: str, item: str, about: str) -> Item | None:
        """The item that an answer names; None if it is not of this plan."""
        return self._by_key.get((sheet, item, about))

    def _items(self, procedure: Procedure) -> Iterator[Item]:
        for about in self._abouts(procedure):
            for step in procedure.steps:
                yield Item(procedure=procedure, step=step, about=about)

    def _abouts(self, procedure: Procedure) -> tuple[str, ...]:
        if procedure.for_each == LINEUP:
            return ("",)
        if procedure.for_each == "bus":
            return tuple(BUS + name for name in self.buses())
        wanted = self.scope.targets or self.tags
        return tuple(tag for tag in wanted if self.devices[tag].kind.value == procedure.for_each)

    def buses(self) -> tuple[str, ...]:
        """Names of the communication buses that the devices tell of."""
        signals = (signal for sense in self.senses.values() for signal in sense.states)
        return tuple(sorted({signal.name for signal in signals if signal.kind == "bus"}))

    def values(self, item: Item) -> dict[str, str]:
        """What the braces in the item's texts stand for."""
        given = dict(value.partition("=")[::2] for value in self.scope.sheet_values)
        own = {name: given.get(name, one.default) for name, one in item.procedure.parameters.items()}
        known = {"lineup": self.lineup.map.lineup, "site": self.lineup.map.site, "bus": item.bus}
        device = self.devices.get(item.about)
        if device is not None:
            known |= {
                "tag": device.tag,
                "cubicle": f"cubicle {device.cubicle}" if device.cubicle else "cubicle not named on the map",
                "section": device.section or "section not named on the map",
                "description": device.description or device.kind.value,
            }
        return own | known

    def text(self, item: Item, text: str) -> str:
        """The text with its braces filled."""
        return filled(text, self.values(item))

    def signal(self, item: Item, see: str) -> Signal:
        """The signal that the item looks at."""
        found = signal_of(filled(see, self.values(item)))
        assert found is not None  # the document's validator has made sure
        return found

    def whose(self, item: Item, of: str, signal: Signal) -> tuple[str, ...]:
        """Tags of the devices that ``of`` means, without those whose type does not have the signal."""
        return tuple(tag for tag in self.named(item, of) if self.senses[tag].has(signal))

    def named(self, item: Item, of: str) -> Sequence[str]:
        """Tags of the devices that ``of`` means."""
        if of == "self":
            return (item.about,) if item.about in self.devices else self.tags
        if of == "others":
            return tuple(tag for tag in self.tags if tag != item.about)
        if of == "all":
            return self.tags
        return tuple(tag for tag in self.tags if self.devices[tag].kind.value == of)

    def signals_of(self, tag: str) -> tuple[Signal, ...]:
        """Signals that some item looks at in this device."""
        found: dict[Signal, None] = {}
        for item in self.items:
            sees = [(one.of, one.see) for one in item.step.expect]
            sees += [(one.of, one.see) for one in item.step.before]
            for of, see in sees:
                signal = self.signal(item, see)
                if tag in self.whose(item, of, signal):
                    found[signal] = None
        return tuple(found)


def _senses(lineup: Lineup, tags: Sequence[str]) -> dict[str, Sense]:
    """A sense for each tag; devices of one profile share it."""
    by_profile: dict[str, Sense] = {}
    made = {}
    for tag in tags:
        profile = lineup.profile_of(lineup.map.by_tag[tag])
        made[tag] = by_profile.setdefault(profile.name, Sense(profile))
    return made
