"""Mutation testing: ``python -m tests.mutation --package desk --sample 100 --seed 1``.

Takes the last commit into a folder of its own, draws mutants there, and says for each whether a test fails.
Needs a system with fork (not Windows).
"""

from __future__ import annotations

import argparse
import ast
import io
import json
import os
import random
import re
import subprocess
import sys
import tarfile
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import yaml

from tests.mutation.operators import Mutant, mutants, mutated
from tests.mutation.score import interval

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = {
    "desk": ("probe/desk/**/*.py", r"probe\.desk|probe import desk"),
    "clock": ("probe/judge/clock_*.py", r"judge\.clock|judge import clock"),
    "record": ("probe/record/**/*.py", r"probe\.record|probe import record"),
    "judge": ("probe/judge/**/*.py", r"probe\.judge|probe import judge"),
}
CASES = {"desk": "desk", "clock": "clock", "judge": ""}  # which cases of checks reach the package
GROUPS = ("unit", "property", "outside")  # the laboratory starts processes of its own, which see no mutant
EQUIVALENT = Path(__file__).parent / "equivalent.yaml"


def say(text: str) -> None:
    """One line, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main(arguments: list[str]) -> int:
    """0 if 90 % or more of the mutants that are not equivalent were seen, 1 if not."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--package", choices=sorted(PACKAGES), required=True)
    parser.add_argument("--sample", type=int, default=100, help="mutants drawn (0: all)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--only", action="append", default=[], help="try only the mutants drawn whose name holds this"
    )
    parser.add_argument("--with", dest="overlay", action="append", default=[], help="path taken as it is now")
    parser.add_argument(
        "--slow", default="5", help="tests of more CPU seconds are left out: they could only raise it"
    )
    parser.add_argument("--minutes", default="600", help="no new mutant is begun after so long")
    parser.add_argument("--told", type=Path, help="file for all verdicts, with the test that saw each")
    options = parser.parse_args(arguments)
    os.environ["MUTATION_MINUTES"] = options.minutes
    os.environ["MUTATION_SLOW_S"] = options.slow
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # spares a slow disk
    with tempfile.TemporaryDirectory(prefix="buswitness-mutants-", dir=memory) as name:
        Path(name).chmod(0o711)  # tests that become another user must get through
        copy = Path(name) / "tree"
        take_copy(copy, options.overlay)
        drawn, of = draw(copy, options.package, options.sample, options.seed)
        drawn = [one for one in drawn if not options.only or any(part in one.name for part in options.only)]
        return report(options, copy, drawn, of, carry_out(copy, options.package, drawn))


def take_copy(copy: Path, overlay: list[str]) -> None:
    """The last commit, with some paths as they are now."""
    packed = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, capture_output=True, check=True).stdout
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        archive.extractall(copy, filter="data")
    for path in overlay:
        subprocess.run(["cp", "-r", "-T", ROOT / path, copy / path], check=True)


def modules(copy: Path, package: str) -> list[Path]:
    """Modules of the package; the clock engine's are no part of judge's."""
    clocks = set(copy.glob(PACKAGES["clock"][0])) if package == "judge" else set()
    return sorted(set(copy.glob(PACKAGES[package][0])) - clocks)


def draw(copy: Path, package: str, size: int, seed: int) -> tuple[list[Mutant], int]:
    """The sample in the order drawn (its first part is a sample too), and how many mutants there are."""
    found: list[Mutant] = []
    for path in modules(copy, package):
        found += mutants(path.relative_to(copy).as_posix(), path.read_text(encoding="utf-8"))
    chosen = random.Random(seed).sample(range(len(found)), min(size, len(found)) if size else len(found))
    return [found[number] for number in chosen], len(found)


def test_files(copy: Path, package: str) -> list[str]:
    """Test files that name the package, and the cases of checks where they reach it."""
    named = re.compile(PACKAGES[package][1])
    paths = [path for group in GROUPS for path in sorted((copy / "tests" / group).rglob("test_*.py"))]
    chosen = [path.relative_to(copy).as_posix() for path in paths if named.search(path.read_text())]
    cases = "tests/cases/test_cases.py" if CASES.get(package) else "tests/cases"
    return [*([cases] if package in CASES else []), *chosen]


def carry_out(copy: Path, package: str, drawn: list[Mutant]) -> dict[str, dict[str, Any]]:
    """Verdict of each mutant, by its name."""
    plan, results = copy / "mutation-plan.json", copy / "mutation-results.jsonl"
    asked = {
        "mutants": [asdict(one) for one in drawn],
        "results": str(results),
        "lines": str(copy / "lines.json"),
    }
    plan.write_text(json.dumps(asked))
    work = copy.parent / "work"
    work.mkdir()
    environment = {**os.environ, "MUTATION_PLAN": str(plan), "PYTHONPATH": str(copy), "TMPDIR": str(work),
                   "MUTATION_KEEP": str(ROOT / "build" / "mutation"),
                   "MUTATION_FILES": os.pathsep.join(map(str, modules(copy, package)))}  # fmt: skip
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist",
               "-p", "tests.mutation.plugin", "--basetemp", str(work / "pytest")]  # fmt: skip
    if word := CASES.get(package):
        command += ["-k", f"{word} or not cases"]
    files = test_files(copy, package)
    done = subprocess.run([*command, *files], cwd=copy, env=environment,
                          check=False, capture_output=True, text=True)  # fmt: skip
    if not results.exists():
        raise SystemExit(done.stdout[-3000:] + done.stderr[-3000:])
    told = {one["name"]: one for one in map(json.loads, results.read_text().splitlines())}
    for one in [one for one in drawn if one.name in told]:
        if told[one.name]["verdict"] == "at import":
            told[one.name] |= at_import(copy, one, command, told[one.name]["order"])
        told[one.name].pop("order")
    return told


def at_import(copy: Path, mutant: Mutant, command: list[str], tests: list[str]) -> dict[str, Any]:
    """Verdict on code that runs at import: the module is written, and a new interpreter runs the tests."""
    path = copy / mutant.file
    text = path.read_text(encoding="utf-8")
    order = copy / "mutation-order.json"
    order.write_text(json.dumps(tests))
    environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1",
                   "TMPDIR": str(copy.parent / "work"), "MUTATION_ORDER": str(order)}  # fmt: skip
    files = list(dict.fromkeys(name.split("::")[0] for name in tests))
    for old in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        old.unlink()
    path.write_text(ast.unparse(mutated(text, mutant)), encoding="utf-8")
    try:
        done = subprocess.run([*command, "-x", *files], cwd=copy, env=environment, check=False,
                              capture_output=True, text=True, timeout=900)  # fmt: skip
        last = (done.stdout.strip() or "-").splitlines()[-2:]
        told = "killed" if done.returncode in (1, 2, 3, 4) else "survived"  # 5: there was no test
        return {"verdict": told, "by": " ".join(last)}
    except subprocess.TimeoutExpired:
        return {"verdict": "killed", "by": "time"}
    finally:
        path.write_text(text, encoding="utf-8")


def report(
    options: argparse.Namespace, copy: Path, drawn: list[Mutant], of: int, told: dict[str, dict[str, Any]]
) -> int:
    """Print survivors, with their lines as they were tried, and the score."""
    same = yaml.safe_load(EQUIVALENT.read_text(encoding="utf-8")) or {}
    counted = killed = equivalent = 0
    tried = [one for one in drawn if one.name in told]
    if options.told:
        options.told.write_text("".join(json.dumps(told[one.name]) + "\n" for one in tried))
    for one in tried:
        text = (copy / one.file).read_text(encoding="utf-8").splitlines()[one.line - 1].strip()
        survived = told[one.name]["verdict"] == "survived"
        if survived and _equivalent(same, one, text):
            equivalent += 1
            continue
        counted += 1
        killed += not survived
        if survived:
            through = told[one.name]["through"]
            say(f"SURVIVED {one.name} line {one.line} ({through} tests): {one.what}\n    {text}")
    low, high = interval(killed, counted)
    say(
        f"{options.package}: {killed} of {counted} seen = {killed / max(counted, 1):.1%} "
        f"(95 %: {low:.1%} to {high:.1%}); {equivalent} equivalent beside them; "
        f"tried {len(tried)} of {len(drawn)} drawn from {of} with seed {options.seed}"
    )
    return int(killed < 0.9 * counted)


def _equivalent(same: dict[str, list[dict[str, str]]], mutant: Mutant, text: str) -> bool:
    return any(row["what"] == mutant.what and row["line"] == text for row in same.get(mutant.file, []))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
