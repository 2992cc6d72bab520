"""Lock of a lineup: never two runs of this computer on the same gear at once.

The operating system holds the lock and lets go when its process ends, however it ends; a lock file left
behind by a dead process locks nothing. Beside it lies a note of who holds it, for people.

Two locks stand apart: that of a fleet's folder, which a sweep holds from its start to the put-away of its
record, and that of the gear (``at_the_gear``), which whatever asks the lineup holds meanwhile, a sweep's
audit among them. The latter knows the runs of one user of one computer; those of others show at the gear,
by the connections that they take.
"""

from __future__ import annotations

import hashlib
import ipaddress
import json
import os
import re
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from filelock import FileLock, Timeout

from probe.model.device_map import DeviceMap


class Holder(NamedTuple):
    """Who holds a lock: process, what it does, since when (RFC 3339, UTC)."""

    pid: int
    work: str
    since: str


class LineupBusy(Exception):  # noqa: N818 - says what happened
    """Another process works on the lineup. holder: None if its note cannot be read."""

    def __init__(self, holder: Holder | None) -> None:
        super().__init__(holder)
        self.holder = holder


@contextmanager
def lineup_lock(folder: Path, site: str, lineup: str, work: str) -> Iterator[Holder | None]:
    """Hold the lineup meanwhile; gives the dead holder whose note was found, if there was one.

    folder: where locks lie, on a disk of this computer. Raises LineupBusy if another process holds it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    note = _file(folder, site, lineup, "holder.json")
    lock = FileLock(_file(folder, site, lineup, "lock"), timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise LineupBusy(_holder(note)) from None
    try:
        dead = _holder(note)  # a holder that ended in good order takes its note away
        mine = Holder(os.getpid(), work, datetime.now(UTC).isoformat(timespec="seconds"))
        note.write_text(json.dumps(mine._asdict()), encoding="utf-8")
        try:
            yield dead
        finally:
            note.unlink(missing_ok=True)
    finally:
        lock.release()


class Hold(NamedTuple):
    """What there is to tell of a lock that was taken. dead: whose run had died and left its note.

    trouble: why there is no lock (no folder for it, a file system that cannot lock); empty if there is one.
    """

    dead: Holder | None = None
    trouble: str = ""


@contextmanager
def at_the_gear(device_map: DeviceMap, work: str, folder: Path | None = None) -> Iterator[Hold]:
    """Hold the gear of this lineup meanwhile. folder: that of this user on this computer if None.

    Where no lock can be had, the work goes on without one: a read-only disk keeps nobody from testing.
    Raises LineupBusy if another process holds it.
    """
    with ExitStack() as held:
        try:
            place = _folder_of_user() if folder is None else folder
            dead = held.enter_context(lineup_lock(place, device_map.site, _gear(device_map), work))
            hold = Hold(dead=dead)
        except (OSError, NotImplementedError) as error:
            hold = Hold(trouble=str(error) or type(error).__name__)
        yield hold


def _folder_of_user() -> Path:
    import platformdirs

    return platformdirs.user_state_path("buswitness", appauthor=False) / "locks"


def _gear(device_map: DeviceMap) -> str:
    """The lineup's name; with its ports where all of it is on this computer: they tell practice apart."""
    links = [device_map.target(device.tag) for device in device_map.devices]
    if not links or not all(_is_loopback(one.host) and one.serial is None for one in links):
        return device_map.lineup
    ports = " ".join(sorted({one.link for one in links}))
    return f"{hashlib.sha256(ports.encode()).hexdigest()[:12]}.{device_map.lineup}"


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


@contextmanager
def held_by_child(folder: Path, site: str, lineup: str) -> Iterator[int | None]:
    """A handle for a child process (``pass_fds``): while the child lives, nobody else gets one.

    So a starter that is killed leaves the lineup held until its audit has ended. None where the system hands
    no handles down (Windows). Raises LineupBusy if the child of a dead starter still works.
    """
    if sys.platform == "win32":
        yield None
        return
    import fcntl

    path = _file(folder, site, lineup, "work")
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise LineupBusy(None) from None
        yield handle
    finally:
        os.close(handle)  # closed, not unlocked: a child that lives on keeps it


def _file(folder: Path, site: str, lineup: str, what: str) -> Path:
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", f"{site}.{lineup}")[:120]
    return folder / f"{name}.{what}"


def _holder(note: Path) -> Holder | None:
    try:
        return Holder(**json.loads(note.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None
