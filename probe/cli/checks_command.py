"""``checks``: what is checked and why, as the manual has it; the same text without the manual."""

from __future__ import annotations

from importlib.resources import files

from probe.cli.failure import Exit
from probe.judge.catalogue import page
from probe.judge.check import Check, DeviceCheck
from probe.judge.registry import BY_ID, get
from probe.present.console import emit_json, say

FORMAT = "buswitness-checks/1"


def checks(name: str | None, *, as_json: bool) -> int:
    """Print the list of all checks, or the page of one; 0. Raises InputError for an unknown id."""
    if name is None:
        _tell_all(as_json=as_json)
        return Exit.DONE
    check = get(name)
    text = page(check, note_of(check.id))
    if as_json:
        emit_json({"format": FORMAT, "checks": [{**_object(check), "page": text}]})
    else:
        say(_plain(text))
    return Exit.DONE


def note_of(name: str) -> str:
    """The hand-written part of a check's page; "" for a check without one."""
    note = files("probe.judge.notes").joinpath(f"{name}.md")
    return note.read_text(encoding="utf-8") if note.is_file() else ""


def _tell_all(*, as_json: bool) -> None:
    if as_json:
        emit_json({"format": FORMAT, "checks": [_object(check) for check in BY_ID.values()]})
        return
    width = max(map(len, BY_ID))
    for name, check in BY_ID.items():
        say(f"{name:<{width}}  {check.title}")
    say()
    say(f"{len(BY_ID)} checks. What one sees, why, its source and tolerance: buswitness checks ID")


def _object(check: Check) -> dict[str, object]:
    return {
        "id": check.id,
        "title": check.title,
        "on": "device" if isinstance(check, DeviceCheck) else "lineup",
        "why": check.why,
        "where": check.where,
        "needs": [need.value for need in check.needs],
        "source": check.source,
        "since": check.since,
        "danger": check.danger,
    }


def _plain(text: str) -> str:
    """The page for a terminal: pictures are told by their place in the manual."""
    lines = [line for line in text.splitlines() if not line.startswith("![")]
    return "\n".join(lines).replace("## Pictures", "Pictures: docs/checks/pictures in the manual").strip()
