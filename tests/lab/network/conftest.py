"""Laboratory of small networks: namespaces, veth cables and bridges that a test makes and that are removed.

``lab_net`` is the fixture. Needs root on Linux and iproute2; elsewhere the tests skip with the reason. All
traffic stays between the namespaces: none has a cable to this computer's own network.

A test writes what an electrician would do::

    switch = lab_net.switch("sw1", stp=True)
    laptop = lab_net.host("laptop", switch, "10.77.1.9/24")
    relay = lab_net.host("relay", switch, "10.77.1.11/24", hardware="02:00:5e:77:00:11")
    relay.start("snmpd", "-f", ...)
    laptop.buswitness("survey", "map.yaml")
"""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[3]
PATIENCE_S = 60.0  # for what must come: on a healthy machine it never decides a test
_numbers = itertools.count(1)


def _ip(*arguments: str) -> None:
    subprocess.run(("ip", *arguments), check=True, capture_output=True, text=True, timeout=30)


class Space:
    """One computer of the laboratory: a network namespace with its own interfaces and processes."""

    def __init__(self, name: str, directory: Path, *, ipv6: bool) -> None:
        self.label = name
        self.name = f"bw{os.getpid():x}-{next(_numbers)}-{name}"
        self.directory = directory / self.name
        self.directory.mkdir()
        self.processes: list[subprocess.Popen[str]] = []
        _ip("netns", "add", self.name)
        try:
            if not ipv6:  # no multicast of its own: what the test sees is what the test sent
                self.run("sysctl", "-qw", "net.ipv6.conf.all.disable_ipv6=1")
                self.run("sysctl", "-qw", "net.ipv6.conf.default.disable_ipv6=1")
            self.ip("link", "set", "lo", "up")
        except BaseException:
            self.remove()
            raise

    def ip(self, *arguments: str) -> None:
        """``ip`` in this namespace. Raises CalledProcessError if it does not work."""
        _ip("-n", self.name, *arguments)

    def inside(self, *command: str | Path) -> list[str]:
        """The command line that runs a command in this namespace (for tests that start it themselves)."""
        return ["ip", "netns", "exec", self.name, *map(str, command)]

    def run(
        self, *command: str | Path, check: bool = True, timeout_s: float = PATIENCE_S, **more: str
    ) -> subprocess.CompletedProcess[str]:
        """Run a command here to its end, output as text. more: environment variables."""
        return subprocess.run(
            self.inside(*command),
            check=check,
            capture_output=True,
            text=True,
            timeout=timeout_s,
            env={**os.environ, **more},
            cwd=self.directory,
            stdin=subprocess.DEVNULL,
        )

    def start(self, *command: str | Path, **more: str) -> subprocess.Popen[str]:
        """Start a daemon here; it ends with the laboratory. Its output is in ``NAME.out`` of directory."""
        out = self.directory / f"{Path(str(command[0])).name}-{len(self.processes)}.out"
        with out.open("w") as file:
            process = subprocess.Popen(
                self.inside(*command),
                stdout=file,
                stderr=subprocess.STDOUT,
                stdin=subprocess.DEVNULL,
                text=True,
                env={**os.environ, **more},
                cwd=self.directory,
                start_new_session=True,
            )
        self.processes.append(process)
        return process

    def python(self, code: str, *arguments: str) -> subprocess.Popen[str]:
        """Start a piece of Python here, with this project on its path."""
        return self.start(sys.executable, "-c", code, *arguments, PYTHONPATH=str(REPOSITORY))

    def buswitness(
        self, *arguments: str | Path, timeout_s: float = 180.0, **more: str
    ) -> subprocess.CompletedProcess[str]:
        """Run the program here, whatever its exit code."""
        command = (sys.executable, "-m", "probe", *arguments)
        return self.run(*command, check=False, timeout_s=timeout_s, PYTHONPATH=str(REPOSITORY), **more)

    def output(self) -> str:
        """What all daemons here have said so far, for messages of failed tests."""
        return "\n".join(f"--- {path.name}\n{path.read_text()}" for path in self.directory.glob("*.out"))

    def hardware(self, interface: str = "eth0") -> str:
        """The hardware address of an interface."""
        return self.run("cat", f"/sys/class/net/{interface}/address").stdout.strip()

    def stop(self) -> None:
        """End all daemons started here, children included."""
        for process in self.processes:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGTERM)
        for process in self.processes:
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait(5)
        self.processes.clear()

    def remove(self) -> None:
        """End everything here and delete the namespace; its ends of cables vanish with it."""
        self.stop()
        with contextlib.suppress(subprocess.CalledProcessError):
            _ip("netns", "del", self.name)


class LabNet:
    """Computers, switches and cables of one test."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        #: For sockets of daemons that give up root: short, and open to their users.
        self.sockets = Path(tempfile.mkdtemp(prefix="bw-"))
        self.sockets.chmod(0o755)
        self._spaces: list[Space] = []
        self._ports: dict[str, int] = {}

    def space(self, name: str, *, ipv6: bool = False) -> Space:
        """A computer without any cable yet."""
        space = Space(name, self._directory, ipv6=ipv6)
        self._spaces.append(space)
        return space

    def switch(self, name: str, *, stp: bool = False, ipv6: bool = False, priority: int = 32768) -> Space:
        """A switch: the kernel's bridge ``br0`` in a namespace, ports ``p1``, ``p2`` ... as cables come.

        stp: spanning tree (802.1D of the kernel) with the shortest timers that the kernel takes: hello 1 s,
        forward delay 2 s, age 6 s. An address for daemons on the switch goes onto br0.
        """
        space = self.space(name, ipv6=ipv6)
        space.ip("link", "add", "br0", "type", "bridge", "stp_state", "1" if stp else "0")
        timers = ("hello_time", "100", "forward_delay", "200", "max_age", "600") if stp else ()
        space.ip("link", "set", "br0", "type", "bridge", "priority", str(priority), *timers)
        space.ip("link", "set", "br0", "up")
        return space

    def cable(self, one: Space, port_one: str, two: Space, port_two: str) -> None:
        """Plug a cable between two ports, both up. Unplug with ``space.ip("link", "set", PORT, "down")``."""
        ends = (port_one, "netns", one.name, "type", "veth", "peer", "name", port_two, "netns", two.name)
        _ip("link", "add", *ends)
        for space, port in ((one, port_one), (two, port_two)):
            space.ip("link", "set", port, "up")

    def next_port(self, switch: Space) -> str:
        """The name of the switch's next free port."""
        self._ports[switch.name] = self._ports.get(switch.name, 0) + 1
        return f"p{self._ports[switch.name]}"

    def trunk(self, one: Space, two: Space) -> tuple[str, str]:
        """Plug a cable between two switches; the names of the two ports."""
        ports = self.next_port(one), self.next_port(two)
        self.cable(one, ports[0], two, ports[1])
        for switch, port in zip((one, two), ports, strict=True):
            switch.ip("link", "set", port, "master", "br0")
        return ports

    def host(
        self, name: str, switch: Space, address: str = "", *, hardware: str = "", ipv6: bool = False
    ) -> Space:
        """A computer with ``eth0`` on the switch's next port. address: with prefix length."""
        space = self.space(name, ipv6=ipv6)
        self.plug(space, "eth0", switch, address, hardware=hardware)
        return space

    def plug(
        self, space: Space, interface: str, switch: Space, address: str = "", *, hardware: str = ""
    ) -> str:
        """Plug an interface of a computer into the switch's next port; the port's name."""
        port = self.next_port(switch)
        self.cable(space, interface, switch, port)
        switch.ip("link", "set", port, "master", "br0")
        if hardware:
            space.ip("link", "set", interface, "down")
            space.ip("link", "set", interface, "address", hardware)
            space.ip("link", "set", interface, "up")
        if address:
            space.ip("addr", "add", address, "dev", interface)
        return port

    def remove(self) -> None:
        """Remove everything, also when a test failed half-way."""
        for space in self._spaces:
            space.remove()
        self._spaces.clear()
        shutil.rmtree(self.sockets, ignore_errors=True)


def _why_not() -> str:
    """Why no laboratory can be made here; empty if it can."""
    if sys.platform != "linux":
        return "network namespaces exist on Linux only"
    if os.geteuid() != 0:
        return "network namespaces need root"
    if shutil.which("ip") is None:
        return "iproute2 is not installed"
    name = f"bw{os.getpid():x}-trial"
    tried = subprocess.run(("ip", "netns", "add", name), capture_output=True, text=True, check=False)
    if tried.returncode:
        return f"no network namespace can be made: {tried.stderr.strip()}"
    _ip("netns", "del", name)
    return ""


@pytest.fixture(scope="session")
def lab_possible() -> str:
    """Empty where laboratories can be made, else the reason."""
    return _why_not()


@pytest.fixture
def lab_net(lab_possible: str, tmp_path: Path) -> Iterator[LabNet]:
    """An empty laboratory; what a test makes in it is removed afterwards."""
    if lab_possible:
        pytest.skip(lab_possible)
    lab = LabNet(tmp_path)
    try:
        yield lab
    finally:
        lab.remove()


@pytest.fixture
def daemon() -> Callable[[str], str]:
    """Path of a daemon of Debian; the test skips with its package's name where it is absent."""

    def find(name: str, package: str = "") -> str:
        found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
        if found is None:
            pytest.skip(f"{name} is not installed (Debian package {package or name})")
        return found

    return find


@pytest.fixture
def wait_for() -> Callable[..., None]:
    """Wait until a condition holds; fail with a message if it does not within a generous bound."""

    def wait(condition: Callable[[], object], what: str, *, bound_s: float = PATIENCE_S) -> None:
        end = time.monotonic() + bound_s
        while not condition():
            if time.monotonic() > end:
                pytest.fail(f"{what}: not within {bound_s:g} s")
            time.sleep(0.05)

    return wait
