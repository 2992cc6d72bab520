"""Pytest plugin that tries the mutants: collected once, one forked child for each.

A first child runs all tests and notes which lines of the package each one goes through (kept in ``build/``
for as long as the package and the test's file are the same). For a mutant inside a function, a child then
exchanges that function's code where it lives and runs the tests that go through the line, the module's own
and the fastest first, until one fails. If none does, it runs the other tests of the same files
(but not all cases of checks), for what a fixture or a cache did once. A test that failed is run again without
the mutant; if it fails then too, it says nothing and is left out. A line that nothing goes through needs no
run. Code that runs at import is left to ``__main__``, which starts a new interpreter; there this plugin only
orders the tests.
"""

from __future__ import annotations

import gc
import hashlib
import itertools
import json
import os
import resource
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings

from tests.mutation.operators import Mutant, mutated

settings.register_profile(
    "mutation",
    derandomize=True,
    database=None,
    deadline=None,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
settings.load_profile("mutation")

KILLED, ALIVE, UNFIT = 10, 11, 12
MEMORY = 6 << 30
ENOUGH = 50_000  # lines followed one by one in a test
Item = pytest.Item


#: Lines that run when the package is imported, by file.
_at_import: dict[str, set[int]] = {}


def pytest_configure() -> None:
    """See what runs at import."""
    if "MUTATION_PLAN" in os.environ:
        sys.settrace(_tracer(_at_import))


def pytest_collection_modifyitems(items: list[Item]) -> None:
    """In an interpreter of one mutant: the tests in the order given, no others."""
    sys.settrace(None)
    if "MUTATION_ORDER" in os.environ:
        order = json.loads(Path(os.environ["MUTATION_ORDER"]).read_text())
        place = {name: at for at, name in enumerate(order)}
        items[:] = sorted((one for one in items if one.nodeid in place), key=lambda one: place[one.nodeid])


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop(session: pytest.Session) -> bool | None:
    """Try all mutants of the plan instead of running the tests once."""
    if "MUTATION_ORDER" in os.environ:
        return None
    plan = json.loads(Path(os.environ["MUTATION_PLAN"]).read_text())
    told = Path(plan["results"])
    known = _known(session.items, told.with_suffix(".known"))
    items = {item.nodeid: item for item in session.items if item.nodeid in known}
    sound: set[str] = set()
    end = time.monotonic() + 60 * float(os.environ["MUTATION_MINUTES"])
    for fields in plan["mutants"]:
        if time.monotonic() > end:
            break
        verdict = _try(Mutant(**fields), items, known, sound)
        with told.open("a") as file:
            file.write(json.dumps(verdict) + "\n")
    return True


def _known(items: Sequence[Item], path: Path) -> dict[str, Any]:
    """For each test that passes: seconds of it, and lines that it goes through, by file."""
    keep = Path(os.environ["MUTATION_KEEP"])
    keep.mkdir(parents=True, exist_ok=True)
    kept = {file: keep / f"{key}.json" for file, key in _keys({item.path for item in items}).items()}
    known: dict[str, Any] = {}
    for file in kept.values():
        known |= json.loads(file.read_text()) if file.exists() else {}
    new = [item for item in items if item.nodeid not in known]
    known |= _noted(new, path) if new else {}
    for test in {item.path for item in new}:
        own = {item.nodeid: known[item.nodeid] for item in items if item.path == test}
        part = kept[test].with_suffix(f".{os.getpid()}")
        part.write_text(json.dumps(own))
        part.replace(kept[test])
    return {name: found for name, found in known.items() if found}


def _keys(files: set[Path]) -> dict[Path, str]:
    """For each test file a hash of it and of what it is about: package, fixtures, data, what is too slow."""
    about = hashlib.sha256(os.environ["MUTATION_SLOW_S"].encode())
    for path in [*map(Path, sorted(_wanted())), *sorted(Path.cwd().joinpath("tests").rglob("conftest.py"))]:
        about.update(_told(path))
    data = {folder: about.copy() for folder in {file.parent for file in files}}
    for folder, key in data.items():
        for path in sorted(folder.rglob("*")):
            if path.is_file() and path.suffix not in (".py", ".pyc"):
                key.update(_told(path))
    keys = {}
    for file in files:
        own = data[file.parent].copy()
        own.update(_told(file))
        keys[file] = own.hexdigest()[:32]
    return keys


def _told(path: Path) -> bytes:
    return _short(str(path)).encode() + hashlib.sha256(path.read_bytes()).digest()


def _short(path: str) -> str:
    """Path inside the copy."""
    return Path(path).relative_to(Path.cwd()).as_posix()


def _wanted() -> set[str]:
    return set(os.environ["MUTATION_FILES"].split(os.pathsep))


def _noted(items: Sequence[Item], path: Path) -> dict[str, Any]:
    pid = os.fork()
    if not pid:
        _silent()
        try:
            path.write_text(json.dumps(_baseline(items)))
        except BaseException:  # noqa: BLE001 - said to the one who waits
            path.with_suffix(".why").write_text(traceback.format_exc())
        os._exit(0)
    os.waitpid(pid, 0)
    noted: dict[str, Any] = json.loads(path.read_text())
    return noted


def _baseline(items: Sequence[Item]) -> dict[str, Any]:
    signal.signal(signal.SIGPROF, _too_slow)
    known: dict[str, Any] = {}
    for number, item in enumerate(items):
        lines: dict[str, set[int]] = {}
        trace = _tracer(lines)
        began = time.process_time()
        sys.settrace(trace)
        threading.settrace(trace)
        signal.setitimer(signal.ITIMER_PROF, float(os.environ["MUTATION_SLOW_S"]))
        ok = _passes(item, items[number + 1] if number + 1 < len(items) else None)
        signal.setitimer(signal.ITIMER_PROF, 0)
        sys.settrace(None)
        threading.settrace(None)  # type: ignore[arg-type]
        held = {_short(file): sorted(seen) for file, seen in lines.items()}
        seconds = time.process_time() - began
        known[item.nodeid] = {"seconds": seconds, "lines": held} if ok else None
    return known


def _too_slow(*_: object) -> None:
    raise TimeoutError("takes too long to be run for each mutant")


def _tracer(lines: dict[str, set[int]]) -> Callable[[FrameType, str, Any], Any]:
    """Notes lines; once there were many, whole functions, which is quicker and errs to the safe side."""
    events = itertools.count()
    wanted = _wanted()
    whole: set[CodeType] = set()
    many = False

    def trace(frame: FrameType, event: str, _: Any) -> Any:
        code = frame.f_code
        if code.co_filename not in wanted or code in whole:
            return None
        seen = lines.setdefault(code.co_filename, set())
        seen.add(frame.f_lineno)

        def line(frame: FrameType, event: str, _: Any) -> Any:
            nonlocal many
            seen.add(frame.f_lineno)
            many = many or next(events) > ENOUGH
            return all_of_it() if many else line

        def all_of_it() -> None:
            whole.add(code)
            seen.update(number for _, _, number in code.co_lines() if number)

        return all_of_it() if many else line

    return trace


def _passes(item: Item, following: Item | None) -> bool:
    from _pytest.runner import runtestprotocol

    try:
        reports = runtestprotocol(item, log=False, nextitem=following)
    except Exception:  # noqa: BLE001 - the alarm may ring between the test's own parts
        item.session._setupstate.teardown_exact(None)
        return False
    return len(reports) == 3 and all(report.passed for report in reports)


def _try(mutant: Mutant, items: dict[str, Item], known: dict[str, Any], sound: set[str]) -> dict[str, Any]:
    """Verdict of one mutant. sound: tests seen to pass without any, by themselves; added to."""
    path = mutant.file
    touching = [name for name in items if path in known[name]["lines"]]
    through = [name for name in touching if mutant.line in known[name]["lines"][path]]
    files = {name.split("::")[0] for name in through or touching}
    stem = f"test_{Path(mutant.file).stem}.py"
    through.sort(key=lambda name: (stem not in name, known[name]["seconds"]))
    rest = [name for name in items if name.split("::")[0] in files and not name.startswith("tests/cases")]
    rest = [name for name in rest if name not in set(through)]
    told: dict[str, Any] = {
        "name": mutant.name,
        "line": mutant.line,
        "what": mutant.what,
        "through": len(through),
    }
    told["order"] = [*through, *rest] or list(items)
    called_at_import = mutant.line in _at_import.get(str(Path.cwd() / path), ())
    if not mutant.function or not (through or called_at_import):
        return {**told, "verdict": "survived" if mutant.function else "at import"}
    seen = _child(mutant, [items[name] for name in (*through, *rest)], known)
    if seen["verdict"] == "survived" and called_at_import:
        seen["verdict"] = "at import"
    if (by := seen["by"]) in items and by not in sound:
        if _child(None, [items[by]], known)["verdict"] == "killed":
            del items[by]
            return _try(mutant, items, known, sound)
        sound.add(by)
    return {**told, **seen}


def _child(mutant: Mutant | None, chosen: list[Item], known: dict[str, Any]) -> dict[str, Any]:
    seconds = [float(known[item.nodeid]["seconds"]) for item in chosen]
    read, write = os.pipe()
    pid = os.fork()
    if not pid:
        os.close(read)
        _silent()
        limit = int(30 + 10 * sum(seconds))
        resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        os._exit(_run(mutant, chosen, seconds, write))
    os.close(write)
    with os.fdopen(read) as pipe:
        by = pipe.read()
    _, status = os.waitpid(pid, 0)
    code = os.waitstatus_to_exitcode(status)
    verdict = {KILLED: "killed", ALIVE: "survived", UNFIT: "at import"}.get(code, "killed")
    return {"verdict": verdict, "by": by if code == KILLED else f"exit {code}"}


def _run(mutant: Mutant | None, chosen: list[Item], seconds: list[float], write: int) -> int:
    signal.signal(signal.SIGPROF, _too_slow)
    try:
        if mutant and not _exchange(mutant):
            return UNFIT
        for item, following, known in zip(chosen, [*chosen[1:], None], seconds, strict=True):
            signal.setitimer(signal.ITIMER_PROF, 3 + 10 * known, 1)  # again, for code that catches all errors
            signal.alarm(int(60 + 60 * known))  # for what waits and uses no time
            ok = _passes(item, following)
            signal.setitimer(signal.ITIMER_PROF, 0)
            if not ok:
                os.write(write, item.nodeid.encode())
                return KILLED
    except BaseException as error:  # noqa: BLE001 - the mutant did it: no change of code may be quiet
        os.write(write, repr(error)[:200].encode())
        return KILLED
    return ALIVE


def _exchange(mutant: Mutant) -> bool:
    """Give the living functions the mutated code; False if none lives or the code does not fit."""
    path = Path.cwd() / mutant.file
    text = path.read_text(encoding="utf-8")
    new = _codes(compile(mutated(text, mutant), str(path), "exec"))
    old = _codes(compile(text, str(path), "exec"))
    changed = {key: code for key, code in new.items() if code != old.get(key)}
    done = 0
    for thing in gc.get_objects():
        if isinstance(thing, FunctionType) and thing.__code__.co_filename == str(path):
            code = changed.get((thing.__code__.co_qualname, thing.__code__.co_firstlineno))
            if code is not None:
                try:
                    thing.__code__ = code
                except ValueError:  # other free variables
                    return False
                done += 1
    return done > 0


def _codes(code: CodeType) -> dict[tuple[str, int], CodeType]:
    found = {(code.co_qualname, code.co_firstlineno): code}
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            found |= _codes(constant)
    return found


def _silent() -> None:
    nothing = os.open(os.devnull, os.O_RDWR)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
