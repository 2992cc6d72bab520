"""The tool writes clocks and nothing else: who in the code can make a write, and who can send one."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

from probe.wire import clock_write, rtu_tcp_link, serial_link, tcp_link

ROOT = Path(__file__).parents[2] / "probe"
#: Modules that may build the PDU of a write, and the one that may hand it to a socket.
BUILDERS = {"model/write_pdu.py", "collect/clock_setting.py"}
SENDERS = {"wire/clock_write.py"}
USERS = {"collect/clock_set.py"}


@cache
def modules() -> list[tuple[str, ast.Module]]:
    files = sorted(path for path in ROOT.rglob("*.py") if "practice" not in path.parts)
    return [(path.relative_to(ROOT).as_posix(), ast.parse(path.read_text("utf-8"))) for path in files]


def names_in(tree: ast.Module) -> set[str]:
    found = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    found |= {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            found |= {alias.name for alias in node.names}
    return found


@pytest.mark.parametrize(
    ("name", "allowed"),
    [
        ("write_requests", BUILDERS),
        ("clock_write_link", SENDERS | USERS),
        ("permit_of", SENDERS | USERS),
        ("Permit", SENDERS | USERS),
        ("_shape", SENDERS | {"wire/tcp_link.py"}),
        ("_ensure", SENDERS | {"wire/rtu_link.py"}),
    ],
)
def test_only_these_modules_have_to_do_with_writes(name: str, allowed: set[str]) -> None:
    within = "wire/" if name.startswith("_") else ""  # hooks have usual names; elsewhere they are others
    users = {module for module, tree in modules() if module.startswith(within) and name in names_in(tree)}
    assert users, f"{name} is gone: this test looks for nothing"
    assert users <= allowed


def test_no_library_writes_for_us() -> None:
    """No call of a client's own write functions anywhere but in the practice lineup."""
    forbidden = {
        "write_register", "write_registers", "write_coil", "write_coils", "mask_write_register",
        "readwrite_registers", "write_file_record", "write_single_register", "write_multiple_registers",
    }  # fmt: skip
    for module, tree in modules():
        assert not forbidden & names_in(tree), module


def test_links_of_an_audit_refuse_writes_by_their_own_hooks() -> None:
    """The hook of every usual link is the one that asks the list of reads."""
    for link in (tcp_link.TcpLink, rtu_tcp_link.RtuTcpLink, serial_link.SerialLink):
        hook = getattr(link, "_shape", None) or link._ensure
        with pytest.raises(clock_write.WriteRefused):
            hook(*((1,) if hasattr(link, "_shape") else ()), bytes.fromhex("06 0001 0003"))
