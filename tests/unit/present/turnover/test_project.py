"""The project file: read whole, and every fault told with its place."""

from __future__ import annotations

import pytest

from probe.model.errors import InputError
from probe.present.turnover.project import logo_type, project_from

GOOD = b"""\
format: buswitness-project/1
project: New switchgear
number: "007"
logo: Logo.SVG
tested_by: {name: A. Tester}
attachments:
  - {file: plate.jpg, title: Nameplate}
"""


def test_a_good_project_is_read_as_written() -> None:
    project, _ = project_from("project.yaml", GOOD)
    assert (project.number, project.logo, project.tested_by.name) == ("007", "Logo.SVG", "A. Tester")
    assert project.attachments[0].title == "Nameplate"
    assert logo_type("Logo.SVG") == "image/svg+xml"


@pytest.mark.parametrize(
    ("old", "new", "field", "line", "word"),
    [
        (b"number", b"numbr", "numbr", 3, "number"),
        (b"Logo.SVG", b"logo.tiff", "logo", 4, ".svg"),
        (b"project/1", b"project/2", "format", 1, "buswitness-project/1"),
        (b"title: Nameplate", b"name: x", "attachments[0].title", 7, ""),
    ],
)
def test_a_fault_is_told_with_its_place(old: bytes, new: bytes, field: str, line: int, word: str) -> None:
    with pytest.raises(InputError) as caught:
        project_from("project.yaml", GOOD.replace(old, new))
    problem = next(one for one in caught.value.problems if one.field == field)
    assert problem.line == line
    assert word in problem.allowed + problem.remedy
