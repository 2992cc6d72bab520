"""The table of faults in the manual, made from ``FAULTS`` so that it cannot drift.

python -m probe.practice.manual docs/practice.md      writes the table anew between its two marks
"""

from __future__ import annotations

import sys
from pathlib import Path

from probe.practice.fault import FaultKind, Place
from probe.practice.faults import FAULTS

BEGIN = "<!-- faults: made by python -m probe.practice.manual -->"
END = "<!-- end of faults -->"


def fault_table() -> str:
    """The table as Markdown, one fault a row."""
    head = ["| fault | what it does | where | what you should see |", "| --- | --- | --- | --- |"]
    return "\n".join([*head, *(_row(kind) for kind in FAULTS.values())])


def _row(kind: FaultKind) -> str:
    where = "" if kind.place is Place.ANY else f"a device that {kind.place.value.partition(' (')[0]}"
    checks = ", ".join(f"`{check}`" for check in kind.checks)
    return f"| `{kind.name}` | {kind.does} | {where} | {kind.sees}{f' {checks}' if checks else ''} |"


def with_table(page: str) -> str:
    """The page with the table between its marks. Raises ValueError if a mark is missing."""
    before, mark, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not mark or not end:
        raise ValueError(f"the page needs the marks {BEGIN} and {END}")
    return f"{before}{BEGIN}\n\n{fault_table()}\n\n{END}{after}"


if __name__ == "__main__":
    for name in sys.argv[1:]:
        file = Path(name)
        file.write_text(with_table(file.read_text(encoding="utf-8")), encoding="utf-8")
