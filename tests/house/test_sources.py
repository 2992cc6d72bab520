"""A citation that is not on the list of documents that were read (docs/sources.md) is not allowed."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FREE = ("common practice, no source", "from memory")


def listed() -> tuple[str, ...]:
    """Short names of the documents, as they stand in bold on the page."""
    return tuple(
        re.findall(r"^\| \*\*(.+?)\*\*", (ROOT / "docs/sources.md").read_text("utf-8"), re.MULTILINE)
    )


def citations() -> list[tuple[str, str]]:
    """(file, text behind ``Source:``) of the whole package."""
    found = []
    for path in sorted((ROOT / "probe").rglob("*.py")):
        text = path.read_text("utf-8")
        for hit in re.finditer(r"^\s*Source: *(.+(?:\n(?!\s*\"\"\"|\s*\n|\s*\w+:).+)*)", text, re.MULTILINE):
            found.append((path.relative_to(ROOT).as_posix(), " ".join(hit.group(1).split())))
    return found


def test_every_citation_is_on_the_list() -> None:
    names = listed()
    assert len(names) > 5
    unknown = [
        f"{file}: {text}"
        for file, text in citations()
        if not any(name in text for name in names) and not any(mark in text for mark in FREE)
    ]
    assert not unknown, "\n".join(unknown)


def test_there_are_citations_to_check() -> None:
    assert len(citations()) > 20
