"""All faults of the practice lineup in one table: the scenario files, the tests and the manual read it."""

from __future__ import annotations

from collections.abc import Mapping

from probe.practice.fault import Fault, FaultKind
from probe.practice.gear_faults import GEAR_FAULTS
from probe.practice.part import Stage
from probe.practice.wire_faults import WIRE_FAULTS


def _by_name(kinds: tuple[FaultKind, ...]) -> Mapping[str, FaultKind]:
    table = {kind.name: kind for kind in kinds}
    if len(table) != len(kinds):
        raise ValueError("two faults have the same name")
    return table


#: Every kind of fault by its name, those on the wire first.
FAULTS: Mapping[str, FaultKind] = _by_name((*WIRE_FAULTS, *GEAR_FAULTS))


def inject(stage: Stage, fault: Fault) -> None:
    """Change the stage as the fault has it. Raises KeyError if its device is not on the stage."""
    FAULTS[fault.kind].apply(stage, stage.part(fault.at), fault)
