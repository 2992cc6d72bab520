"""What only some systems have: Linux, macOS and Windows all run the program, so such names are guarded.

The names are from the notes on availability in the Python 3.13 Library Reference (os, signal, socket, select,
"Unix-specific services"), from memory. A place is guarded when it is reached on a system that has the name,
or when its absence is borne; each says which.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROBE = ROOT / "probe"


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


#: Modules that Windows has not (the last: Windows alone has them).
MODULES = _names(
    "fcntl termios tty pty resource pwd grp syslog curses readline posix crypt spwd nis msvcrt winreg "
    "winsound _winapi"
)
#: Names by the module or object they are asked of.
NAMES = {
    "os": _names(
        "fork forkpty getuid geteuid getgid getegid getgroups setuid seteuid setgid setsid setpgid "
        "setpgrp getpgid getpgrp killpg getloadavg uname chown lchown chroot mkfifo mknod nice "
        "sched_getaffinity sched_setaffinity sched_yield sysconf statvfs fstatvfs sendfile posix_spawn "
        "posix_fadvise wait wait3 wait4 WNOHANG openpty ttyname getxattr setxattr memfd_create pidfd_open "
        "pread pwrite preadv writev fchmod fchown lockf sync O_NOFOLLOW O_DIRECTORY O_SYNC O_DSYNC "
        "O_NONBLOCK O_CLOEXEC O_BINARY add_dll_directory startfile"
    ),
    "signal": _names(
        "SIGKILL SIGHUP SIGCONT SIGSTOP SIGTSTP SIGTTIN SIGTTOU SIGUSR1 SIGUSR2 SIGCHLD SIGPIPE SIGALRM "
        "SIGQUIT SIGWINCH SIGBREAK alarm pause setitimer getitimer pthread_kill pthread_sigmask sigwait "
        "sigtimedwait siginterrupt CTRL_BREAK_EVENT CTRL_C_EVENT"
    ),
    "socket": _names(
        "AF_UNIX AF_PACKET AF_NETLINK AF_VSOCK SO_REUSEPORT SO_BINDTODEVICE SO_TIMESTAMP SO_TIMESTAMPNS "
        "MSG_TRUNC MSG_DONTWAIT MSG_NOSIGNAL MSG_ERRQUEUE SOCK_CLOEXEC SOCK_NONBLOCK socketpair fromfd "
        "sethostname send_fds recv_fds CMSG_LEN CMSG_SPACE TCP_USER_TIMEOUT SIO_RCVALL"
    ),
    "select": _names("poll epoll kqueue kevent devpoll POLLIN POLLOUT POLLERR POLLHUP"),
    "time": _names("tzset clock_gettime clock_gettime_ns CLOCK_MONOTONIC CLOCK_REALTIME CLOCK_TAI"),
    "mmap": _names("MAP_SHARED MAP_PRIVATE PROT_READ PROT_WRITE"),
}
#: Whatever they are asked of: methods of loops, sockets and processes.
METHODS = _names(
    "add_signal_handler remove_signal_handler add_reader remove_reader add_writer "
    "create_unix_connection create_unix_server recvmsg recvmsg_into sendmsg send_signal num_fds "
    "num_handles"
)
ARGUMENTS = _names("preexec_fn pass_fds start_new_session process_group creationflags startupinfo umask")
FOLDERS = re.compile(r"/(?:proc|sys|dev|etc|tmp|run|var|usr|bin)(?:/|$)")

#: File, name: why it does no harm where the name is missing.
GUARDED = {
    ("collect/lineup_lock.py", "fcntl"): "held_by_child leaves before it where sys.platform is win32",
    ("collect/loop.py", "resource"): "ImportError is caught: Windows does not count sockets so",
    ("collect/preflight.py", "/sys/class/net"): "only where sys.platform is linux",
    ("present/keys.py", "termios"): "_cbreak is for os.name other than nt; _windows_signs has the other side",
    ("present/keys.py", "tty"): "_cbreak, as termios",
    ("present/keys.py", "msvcrt"): "_windows_signs is for os.name nt only",
    ("present/keys.py", "SIGCONT"): "_cbreak, as termios",
    ("record/hold.py", "fcntl"): "leaves before it where os.name is not posix",
    (
        "sweep/run.py",
        "creationflags",
    ): "0 where there is no CREATE_NEW_PROCESS_GROUP, which every system takes",
    ("sweep/run.py", "pass_fds"): "empty where held_by_child gives no handle, which Windows takes",
    ("sweep/run.py", "send_signal"): "CTRL_BREAK_EVENT where there is one, else SIGTERM",
    ("wire/capture/taps.py", "AF_PACKET"): "LinuxTap is opened where sys.platform is linux",
    ("wire/capture/taps.py", "poll"): "LinuxTap",
    ("wire/capture/taps.py", "POLLIN"): "LinuxTap",
    ("wire/capture/taps.py", "recvmsg_into"): "LinuxTap",
    ("wire/capture/taps.py", "MSG_TRUNC"): "LinuxTap",
    ("wire/ethernet.py", "AF_PACKET"): "_PacketSocket is opened where sys.platform is linux",
    ("wire/ethernet.py", "add_reader"): "_PacketSocket",
    ("wire/ethernet.py", "remove_reader"): "_PacketSocket",
    ("wire/ethernet.py", "recvmsg_into"): "_PacketSocket",
    ("wire/ethernet.py", "MSG_TRUNC"): "_PacketSocket",
    (
        "wire/interfaces.py",
        "/sys/class/net",
    ): "a folder that is missing is told from: is_dir, exists, OSError",
    ("wire/interfaces.py", "/proc/net/route"): "OSError is caught: no routes are known then",
    ("wire/neighbours.py", "/proc/net/arp"): "only where sys.platform is linux; elsewhere the arp command",
}


def uses(tree: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Every name of the lists above that stands in the code, with its node."""
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        match node:
            case ast.Import():
                found = [alias.name for alias in node.names if alias.name in MODULES]
            case ast.ImportFrom(module=str(module)):
                bound = NAMES.get(module, frozenset())
                found = [module] if module in MODULES else [a.name for a in node.names if a.name in bound]
            case ast.Attribute(value=ast.Name(id=owner), attr=name) if name in NAMES.get(owner, ()):
                found = [name]
            case ast.Attribute(attr=name) if name in METHODS:
                found = [name]
            case ast.keyword(arg=str(name)) if name in ARGUMENTS:
                found = [name]
            case ast.Constant(value=str(text)) if FOLDERS.match(text) and id(node) not in docstrings:
                found = [text]
            case _:
                continue
        for name in found:
            yield name, node


def in_the_program() -> dict[tuple[str, str], list[int]]:
    """File and name to the lines where it stands."""
    found = defaultdict(list)
    for path in sorted(PROBE.rglob("*.py")):
        for name, node in uses(ast.parse(path.read_text(encoding="utf-8"))):
            found[path.relative_to(PROBE).as_posix(), name].append(getattr(node, "lineno", 0))
    return found


def test_what_one_system_lacks_stands_in_guarded_places_only() -> None:
    found = in_the_program()
    loose = {place: lines for place, lines in found.items() if place not in GUARDED}
    assert not loose, "guard the place (sys.platform, hasattr, try), then say here how it is guarded"
    assert not set(GUARDED) - set(found), "this list names places that are no more"


def test_the_look_finds_what_it_is_for() -> None:
    code = (
        "import fcntl\nfrom signal import SIGKILL\nos.geteuid()\nloop.add_signal_handler(1, f)\n"
        "Popen(x, preexec_fn=f)\nopen('/proc/self/status')\nsocket.AF_UNIX\n'''/proc/x in a docstring'''\n"
    )
    assert {name for name, _ in uses(ast.parse(code))} == {
        "fcntl", "SIGKILL", "geteuid", "add_signal_handler", "preexec_fn", "/proc/self/status", "AF_UNIX",
    }  # fmt: skip


def texts_without_encoding(tree: ast.AST) -> Iterator[int]:
    """Lines where a text is opened in whatever encoding the system happens to use (often not UTF-8)."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or any(k.arg in ("encoding", None) for k in node.keywords):
            continue
        named = {k.arg: k.value for k in node.keywords}
        match node.func:
            case ast.Attribute(attr="read_text") if not node.args:
                yield node.lineno
            case ast.Attribute(attr="write_text") if len(node.args) < 2:
                yield node.lineno
            case ast.Name(id="open") | ast.Attribute(attr="open", value=ast.Name(id="path")):
                place = 1 if isinstance(node.func, ast.Name) else 0
                mode = node.args[place] if len(node.args) > place else named.get("mode")
                if not (isinstance(mode, ast.Constant) and "b" in str(mode.value)):
                    yield node.lineno
            case ast.Attribute(attr="run" | "Popen", value=ast.Name(id="subprocess")) if "text" in named:
                yield node.lineno


def test_texts_are_opened_as_utf_8_everywhere() -> None:
    found = {
        path.relative_to(PROBE).as_posix(): lines
        for path in PROBE.rglob("*.py")
        if (lines := list(texts_without_encoding(ast.parse(path.read_text(encoding="utf-8")))))
    }
    assert not found


def test_no_format_of_time_that_only_one_system_knows() -> None:
    """%-d is glibc's, %#d is Windows'."""
    bad = re.compile(r"strftime\([^)]*%[-#^_][a-zA-Z]")
    assert not [path.name for path in PROBE.rglob("*.py") if bad.search(path.read_text(encoding="utf-8"))]


#: Names that Windows keeps for devices (Naming Files, Paths, and Namespaces, Microsoft Learn; from memory).
DEVICES = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


def test_every_file_can_lie_on_windows_and_macos() -> None:
    """No forbidden signs, no device names, no names that differ in case only, no path that gets too long."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if listed.returncode != 0:
        pytest.skip("no checkout: the list of files is git's")
    names = [name for name in listed.stdout.decode().split("\0") if name]
    assert names
    wrong = [
        name
        for name in names
        if re.search(r'[<>:"|?*\\\x00-\x1f]', name)
        or len(name) > 150
        or any(DEVICES.match(part) or part.endswith((".", " ")) for part in name.split("/"))
    ]
    assert not wrong
    folded = defaultdict(list)
    for name in names:
        folded[name.casefold()].append(name)
    assert not [twins for twins in folded.values() if len(twins) > 1]


WITHOUT = """
import asyncio, multiprocessing, os, select, signal, socket, subprocess, tempfile, importlib, pkgutil, sys
import concurrent.futures, getpass, logging.handlers, uuid, webbrowser, ctypes, ssl, zoneinfo, shutil
import platform
import rich.console, psutil, typer, sqlalchemy, alembic.config  # of others, they choose by the true system

class Missing:
    def find_spec(self, name, path=None, target=None):
        if name in {modules}:
            raise ModuleNotFoundError(f"No module named {{name!r}} (as on Windows)", name=name)

for name in {modules}:
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Missing())
for owner, names in {names}.items():
    for name in names:
        if hasattr(sys.modules[owner], name):
            delattr(sys.modules[owner], name)
import probe
for module in pkgutil.walk_packages(probe.__path__, "probe."):
    if not module.name.endswith("__main__") and ".migrations" not in module.name:
        importlib.import_module(module.name)
print("all of them")
"""


def test_every_module_can_be_imported_where_unix_has_nothing_to_offer() -> None:
    """Names and modules that Windows lacks are taken away, then everything is imported."""
    gone = {owner: sorted(names) for owner, names in NAMES.items() if owner in ("signal", "select")}
    gone["socket"] = ["AF_UNIX", "AF_PACKET", "AF_NETLINK", "SO_REUSEPORT", "MSG_TRUNC", "MSG_DONTWAIT"]
    gone["os"] = ["fork", "getuid", "geteuid", "getgid", "killpg", "uname", "chown", "getloadavg", "statvfs"]
    modules = sorted(MODULES - {"posix", "grp", "pwd", "msvcrt", "winreg", "winsound", "_winapi"})
    code = WITHOUT.format(modules=modules, names=gone)
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert done.stdout.strip().endswith("all of them")
