"""The manual's page on profiles: its examples load, and it names every type, encoding and state."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import pytest

from probe.model.clock_codec import ENCODINGS
from probe.model.clock_fields import FIELD_NAMES
from probe.model.codec import TYPES
from probe.model.lineup import SourceText
from probe.model.profile_document import LimitsDocument
from probe.model.profile_load import ProfileLibrary
from probe.model.quantities import PHASES, STATE_WORDS

PAGE = (Path(__file__).parents[2] / "docs" / "profiles.md").read_text(encoding="utf-8")


def examples() -> dict[str, str]:
    """The two profiles of the page, by name."""
    fenced = re.search(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
    indented = re.search(r"((?:    .*\n)*    name: my-meter-swapped\n(?:    .*\n)*)", PAGE)
    assert fenced
    assert indented
    return {"my-meter": fenced.group(1), "my-meter-swapped": textwrap.dedent(indented.group(1))}


def test_the_examples_have_nothing_wrong() -> None:
    library = ProfileLibrary(
        {name: SourceText(name=f"{name}.yaml", text=text, sha256="") for name, text in examples().items()}
    )
    for name in library.names():
        assert [str(problem) for problem in library.check(name).problems] == []
    swapped = library.get("my-meter-swapped")
    assert swapped.by_name["voltage_ab"].order == "CDAB"
    assert "heartbeat" not in swapped.by_name


WORDS = [*TYPES, *ENCODINGS, *FIELD_NAMES, *PHASES, *LimitsDocument.model_fields, *STATE_WORDS]
LEFT_OUT = ("request_cost_s", "register_cost_s")  # for the plan's authors, not for writers of profiles


@pytest.mark.parametrize("word", sorted(set(WORDS) - set(LEFT_OUT)))
def test_every_word_is_on_the_page(word: str) -> None:
    assert re.search(rf"\b{word}\b", PAGE)
