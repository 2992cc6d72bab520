"""HTML: one file, nothing from elsewhere, hostile texts as text."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from probe.present.turnover.making import Material, NamedBytes, Order, ReportFormat, report
from probe.present.turnover.project import Project

LOGO = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(3)</script></svg>'
VOID = {"meta", "br", "img", "line", "rect", "circle", "path"}


class Page(HTMLParser):
    """Tags, attributes and text of a page; complains when tags do not close in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.handlers: list[str] = []
        self.said: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [
            value or "" for name, value in attrs if name in ("src", "href", "action", "xlink:href")
        ]
        self.handlers += [name for name, _ in attrs if name.startswith("on")]
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.said.append(data)


@pytest.fixture(scope="module")
def page(material: Material) -> Page:
    project = Project(format="buswitness-project/1", logo="logo.svg", project="<b>P</b>")
    order = Order(project=project, logo=NamedBytes(name="logo.svg", data=LOGO))
    data, _ = report(material, order, ReportFormat.HTML)
    return Page(data.decode())


def test_nothing_comes_from_elsewhere_and_nothing_runs(page: Page) -> None:
    assert not {"script", "link", "iframe", "object", "embed", "form", "base"} & set(page.tags)
    assert not page.handlers
    assert all(link.startswith(("#", "data:image/")) for link in page.links)
    assert "@import" not in "".join(page.said)
    assert "url(" not in "".join(page.said)


def test_hostile_texts_are_text(page: Page) -> None:
    said = "".join(page.said)
    assert "<script>alert(1)</script> <img src=x onerror=alert(2)>" in said
    assert "[U+001B][31m" in said
    assert "[U+202E]" in said
    assert '=HYPERLINK("http://example.invalid/?x","press")' in said
    assert "<b>P</b>" in said
    assert not any(ord(sign) < 32 and sign not in "\n" for sign in said)


def test_it_says_incomplete_at_head_and_foot(page: Page) -> None:
    assert page.said.count("INCOMPLETE") >= 2
    assert page.tags.count("h1") == 1
