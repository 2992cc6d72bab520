"""The audit of dependencies says "not audited" where nothing could be looked up, and never passes then."""

from __future__ import annotations

import re
import subprocess
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

REPO = Path(__file__).parents[2]
SCRIPT = REPO / ".ci" / "audit"


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    """The script as a module."""
    before, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    loader = SourceFileLoader("audit", str(SCRIPT))
    spec = spec_from_loader("audit", loader)
    assert spec is not None
    made = module_from_spec(spec)
    loader.exec_module(made)
    sys.dont_write_bytecode = before
    return made


def one(**more: Any) -> dict[str, Any]:
    """A package as pip-audit tells of it."""
    return {"name": "alpha", "version": "1.0", "vulns": [], **more}


WEAK = one(vulns=[{"id": "GHSA-0", "fix_versions": ["1.1"]}])
SKIPPED = {"name": "beta", "skip_reason": "Dependency not found"}


@pytest.mark.parametrize(
    ("found", "code"),
    [
        ([one()], 0),
        ([one(), SKIPPED], 3),  # pip-audit itself says "No known vulnerabilities found" and ends with 0
        ([SKIPPED], 3),
        ([], 3),
        ([WEAK], 1),
        ([WEAK, SKIPPED], 1),
    ],
)
def test_what_could_not_be_looked_up_is_no_pass(audit: ModuleType, found: list[Any], code: int) -> None:
    assert audit.judged("x.lock", found) == code


def test_a_weakness_in_a_list_is_told(audit: ModuleType) -> None:
    pins = [("alpha", "1.0"), ("beta", "2.4"), ("reportlab", "5.1.0")]
    entries = {
        "alpha": [{"id": "A", "cve": "CVE-1", "v": "<1.1"}, {"id": "B", "cve": "CVE-2", "v": ">=0.5,<0.9"}],
        "beta": [{"id": "C", "cve": None, "specs": ["<2", ">=2.4-rc1,<2.4.1"]}, {"id": "D", "v": "all"}],
        "reportlab": [{"id": "E", "cve": "CVE-2020-28463", "specs": [">=0.0"]}],
    }
    hits = list(audit.hits_in(pins, entries))
    assert [hit.split(": ")[1].split()[0] for hit in hits] == ["A", "C", "D"]
    assert "cannot be read" in hits[2]


def test_every_pin_of_the_locks_is_seen(audit: ModuleType) -> None:
    for lock in audit.LOCKS:
        text = (REPO / lock).read_text("utf-8")
        written = [line for line in text.splitlines() if "==" in line and not line.startswith((" ", "#"))]
        assert len(audit.pins_of(REPO / lock)) == len(written) > 50


def test_the_page_tells_of_the_pins_that_are_locked(audit: ModuleType) -> None:
    """Who changes a pin looks its package up again, and writes it down."""
    page = (REPO / "docs" / "security.md").read_text("utf-8")
    rows = re.findall(r"^\| ([a-z0-9-]+) \| ([0-9][^ |]*) \|", page, re.MULTILINE)
    assert len(rows) > 25
    pins = set(audit.pins_of(REPO / "requirements.lock"))
    assert [row for row in rows if row not in pins] == []


def test_it_says_so_where_nothing_can_be_installed(tmp_path: Path) -> None:
    """No index at all: its own exit code, in words, and no traceback."""
    around = {"PATH": "/usr/bin:/bin", "HOME": str(tmp_path), "BUSWITNESS_AUDIT": str(tmp_path / "env")}
    around |= {"PIP_NO_INDEX": "1", "PIP_CONFIG_FILE": "/dev/null"}
    ran = subprocess.run([sys.executable, SCRIPT], capture_output=True, text=True, check=False, env=around)
    assert ran.returncode == 3, ran.stderr
    assert ran.stdout.startswith("not audited")
    assert "Traceback" not in ran.stderr


def test_ci_prints_its_outcome_and_cannot_fail_by_it() -> None:
    lines = (REPO / ".ci" / "run").read_text("utf-8").splitlines()
    (called,) = [line for line in lines if ".ci/audit" in line and not line.startswith("#")]
    assert "||" in called
