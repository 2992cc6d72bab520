"""The read-only promise, watched in every test: each frame that a link hands to its socket is counted.

The tap sits between the links and the operating system's transports, behind the allow-list and all other
code of the tool, in the test process and (by ``sitecustomize``) in every Python process that a test starts.
A frame that is not a read fails the test; only links made for setting a clock (``probe.wire.clock_write``)
may send functions 6 and 16 as well. Frames are cut here, not by code of the tool.
Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3; MODBUS Application Protocol
Specification V1.1b3, 6.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tempfile
import types
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

FOLDER = "BUSWITNESS_TEST_WIRETAP"  # where processes leave what they counted
READS = frozenset((0x01, 0x02, 0x03, 0x04, 0x2B))
CLOCK_WRITES = frozenset((0x06, 0x10))
_MODULE = "probe.wire.connection"

counted: Counter[str] = Counter()
forbidden: list[str] = []


class Tapped:
    """A transport whose writes are looked at; in all else the transport itself."""

    def __init__(self, transport: Any, link: object) -> None:
        self._transport = transport
        kinds = type(link).__mro__
        self._rtu = any(kind.__name__ == "RtuLink" for kind in kinds)
        self._may = READS | (
            CLOCK_WRITES if type(link).__module__ == "probe.wire.clock_write" else frozenset()
        )

    def write(self, data: Any) -> None:
        """Look, count, and hand on."""
        look(bytes(data), rtu=self._rtu, may=self._may)
        self._transport.write(data)

    def writelines(self, data: Any) -> None:
        """The same for several."""
        self.write(b"".join(data))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._transport, name)


def look(frame: bytes, *, rtu: bool, may: frozenset[int]) -> None:
    """Count one frame; note it if it must not be."""
    at = 1 if rtu else 7
    function = frame[at] if len(frame) > at else -1
    whole = rtu or int.from_bytes(frame[4:6], "big") == len(frame) - 6
    counted[f"{function:02X}"] += 1
    if function in may and whole and (function != 0x2B or frame[at + 1] == 0x0E):
        return
    told = f"{os.environ.get('PYTEST_CURRENT_TEST', '')}: not a read on the wire: {frame.hex(' ')}"
    forbidden.append(told)
    if folder := os.environ.get(FOLDER):
        with (
            contextlib.suppress(OSError),
            tempfile.NamedTemporaryFile(
                "w", dir=folder, prefix="forbidden-", delete=False, encoding="utf-8"
            ) as file,
        ):
            file.write(told)


def install(module: types.ModuleType) -> None:
    """Have every connection of the tool go through the tap."""
    connection: Any = module.Connection  # type: ignore[attr-defined]
    made = connection.connection_made

    def connection_made(self: Any, transport: Any) -> None:
        made(self, Tapped(transport, self))

    connection.connection_made = connection_made
    atexit.register(_leave)


def _leave() -> None:
    """Leave what this process has counted, for the sum at the end of the session."""
    if counted and (folder := os.environ.get(FOLDER)):
        with (
            contextlib.suppress(OSError),
            tempfile.NamedTemporaryFile(
                "w", dir=folder, prefix="counted-", delete=False, encoding="utf-8"
            ) as file,
        ):
            json.dump(counted, file)


class _Finder(importlib.abc.MetaPathFinder):
    """Installs the tap when the tool's connections are imported; costs nothing to anybody else."""

    def find_spec(self, name: str, path: Any, target: Any = None) -> importlib.machinery.ModuleSpec | None:
        if name != _MODULE:
            return None
        sys.meta_path.remove(self)
        spec = importlib.util.find_spec(name)
        if spec is not None and spec.loader is not None:
            execute = spec.loader.exec_module

            def exec_module(module: types.ModuleType) -> None:
                execute(module)
                install(module)

            spec.loader.exec_module = exec_module  # type: ignore[method-assign]
        return spec


def install_on_import() -> None:
    """Install the tap now, or as soon as there is something to tap."""
    if _MODULE in sys.modules:
        install(sys.modules[_MODULE])
    else:
        sys.meta_path.insert(0, _Finder())


# in pytest ---------------------------------------------------------------------------------------------


def start() -> None:
    """Tap this process and all that it starts. Called once, by the tests' ``conftest``."""
    if FOLDER not in os.environ:  # workers inherit it
        os.environ[FOLDER] = tempfile.mkdtemp(prefix="buswitness-wiretap-")
        atexit.register(shutil.rmtree, os.environ[FOLDER], ignore_errors=True)
    install_on_import()
    start_process = subprocess.Popen.__init__

    def tapped(self: Any, *given: Any, **named: Any) -> None:
        if len(given) < 11 and FOLDER in os.environ:
            env = dict(os.environ if named.get("env") is None else named["env"])
            if env.get(FOLDER) != "":
                env[FOLDER] = os.environ[FOLDER]
                env["PYTHONPATH"] = os.pathsep.join(
                    filter(None, (str(Path(__file__).parent), env.get("PYTHONPATH")))
                )
                env.setdefault("PYTEST_CURRENT_TEST", os.environ.get("PYTEST_CURRENT_TEST", ""))
            named["env"] = env
        start_process(self, *given, **named)

    subprocess.Popen.__init__ = tapped  # type: ignore[method-assign]


@pytest.fixture(autouse=True)
def every_frame_is_a_read(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fails the test if anything but a read left a link of the tool, here or in a process it started."""
    before = len(forbidden)
    yield
    elsewhere = [text for text in _notes("forbidden-") if text.startswith(request.node.nodeid)]
    wrong = forbidden[before:] or elsewhere
    assert not wrong, wrong


def _notes(prefix: str) -> list[str]:
    folder = Path(os.environ[FOLDER])
    return [path.read_text("utf-8") for path in sorted(folder.glob(f"{prefix}*"))]


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Tell what was counted in all processes."""
    whole = Counter(counted)
    for text in _notes("counted-"):
        whole.update(json.loads(text))
    if whole:
        told = ", ".join(f"{name}: {many}" for name, many in sorted(whole.items()))
        terminalreporter.write_line(f"Modbus requests on the wire in these tests, by function: {told}")
