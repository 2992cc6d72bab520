"""Which finding of a record the user means: by its id, or by its number in the record."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from probe.model.errors import InputError, Problem
from probe.model.finding import Finding
from probe.model.nearest import did_you_mean, listed


def chosen_finding(findings: Sequence[Finding], file: Path, wanted: str) -> Finding:
    """The finding with this id, or this number (from 1, as ``record show`` prints). Raises InputError."""
    if wanted.isascii() and wanted.isdecimal():
        number = int(wanted[:9])
        if 1 <= number <= len(findings):
            return findings[number - 1]
    for finding in findings:
        if finding.id == wanted:
            return finding
    ids = [finding.id for finding in findings]
    allowed = f"a number from 1 to {len(ids)}, or {listed(ids)}" if ids else "the record holds none"
    raise InputError(
        [
            Problem(
                file=str(file),
                what="no such finding is in the record",
                field="--finding",
                found=wanted,
                allowed=allowed,
                remedy=did_you_mean(wanted, ids),
            )
        ]
    )
