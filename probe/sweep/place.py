"""Place: a fleet file with everything that its relative names mean, opened."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from probe.collect.inputs import read_bytes
from probe.history.store import History, open_history
from probe.model.errors import InputError, Problem
from probe.model.fleet import Fleet, Sweep
from probe.model.fleet_load import load_fleet
from probe.model.nearest import did_you_mean
from probe.sweep.records import RecordStore


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetPlace:
    """A fleet and the folder that its names are meant from."""

    file: Path
    fleet: Fleet

    @property
    def folder(self) -> Path:
        """Folder of the fleet file."""
        return self.file.resolve().parent

    def path(self, name: str) -> Path:
        """A file or folder that the fleet names."""
        return self.folder / Path(name).expanduser()

    @property
    def history_name(self) -> str:
        """Path or URL of the history."""
        name = self.fleet.history
        return name if "://" in name else str(self.path(name))

    def open_history(self, *, create: bool = True) -> History:
        """The fleet's history. Raises InputError."""
        return open_history(self.history_name, create=create)

    def records(self) -> RecordStore:
        """Where the fleet's records lie."""
        folder, store = self.path(self.fleet.records), self.fleet.store
        if store is None:
            return RecordStore(folder)
        from probe.sweep.objects import ObjectStore
        from probe.sweep.stored_records import StoredRecords

        certificates = self.path(store.certificates) if store.certificates else None
        return StoredRecords(
            folder,
            lambda: ObjectStore(store, certificates=certificates),
            keep_copies_s=store.keep_copies,
        )

    def sweep(self, name: str) -> Sweep:
        """A sweep by its name. Raises InputError with the nearest name."""
        for one in self.fleet.sweeps:
            if one.name == name:
                return one
        names = [one.name for one in self.fleet.sweeps]
        raise InputError(
            [
                Problem(
                    file=self.file.as_posix(),
                    what="the fleet has no such sweep",
                    field="sweeps",
                    found=name,
                    allowed=", ".join(names),
                    remedy=did_you_mean(name, names),
                )
            ]
        )


def open_fleet(file: Path) -> FleetPlace:
    """The fleet in the file. Raises InputError with every problem found."""
    return FleetPlace(file=file, fleet=load_fleet(file.as_posix(), read_bytes(file)))
