"""The manual's tables are what the models say.

After a change of a field: ``python tests/unit/test_manual.py`` writes the tables into the page again.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from probe.model.cabling import LISTS, Cabling
from probe.model.device_map import Device, DeviceMap
from probe.model.document import parse
from probe.model.manual import map_fields, schedule_headings
from probe.model.shape import fit

PAGE = Path(__file__).parents[2] / "docs" / "device-map.md"
PARTS = {"fields": map_fields, "headings": schedule_headings}


def filled(page: str) -> str:
    """The page with its tables made anew."""
    for name, make in PARTS.items():
        pattern = rf"(?<=\n)(<!-- {name}: [^\n]*-->\n)(?s:.*?)(<!-- end of {name} -->)"
        match = re.search(pattern, page)
        assert match is not None
        page = f"{page[: match.start()]}{match[1]}\n{make().rstrip()}\n\n{match[2]}{page[match.end() :]}"
    return page


def test_the_tables_of_the_page_are_up_to_date() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert filled(page) == page


@pytest.mark.parametrize("model", [DeviceMap, Device])
def test_every_field_stands_in_the_tables(model: type[DeviceMap] | type[Device]) -> None:
    tables = map_fields()
    assert [name for name in model.model_fields if f"| `{name}` |" not in tables] == []


def test_no_field_is_called_necessary_that_is_not() -> None:
    address = map_fields().partition("### `address`")[2].partition("###")[0]
    assert "**must be given**" not in address


def test_the_shortest_map_of_the_page_is_a_map() -> None:
    text = re.findall(r"```yaml\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)[0]
    made, problems = fit(parse("page", text), DeviceMap)
    assert problems == ()
    assert made is not None


def test_the_cabling_of_the_page_is_cabling() -> None:
    (text,) = re.findall(r"```yaml\n(cabling:.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
    made, problems = fit(parse("page", text), Cabling, path=("cabling",))
    assert problems == ()
    assert made is not None
    assert {name for name, _, _ in made.entries()} == set(LISTS)


if __name__ == "__main__":
    PAGE.write_text(filled(PAGE.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
