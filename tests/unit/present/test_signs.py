"""Signs: every encoding and terminal gets signs that it can carry, and colour is never alone."""

from __future__ import annotations

import pytest

from probe.model.finding import Verdict
from probe.present.signs import ASCII, FULL, signs_for


@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "cp437", "latin-1", "no-such-encoding"])
def test_poor_encodings_get_ascii(encoding: str) -> None:
    assert signs_for(encoding) is ASCII


def test_utf8_gets_the_full_set_unless_the_font_lacks_it() -> None:
    assert signs_for("utf-8", "xterm-256color") is FULL
    assert signs_for("utf-8", "linux") is ASCII


@pytest.mark.parametrize("signs", [FULL, ASCII])
def test_every_lamp_has_a_sign_of_its_own(signs: object) -> None:
    lamps = [*signs.verdicts.values(), signs.waiting, signs.working]  # type: ignore[attr-defined]
    assert len({lamp.sign for lamp in lamps}) == len(lamps)
    assert all(len(lamp.sign) == 1 for lamp in lamps)


def test_colours_of_verdicts() -> None:
    """IEC 60073 (from memory): red danger, yellow caution, green normal, blue mandatory action."""
    colour = {
        Verdict.FAIL: "red",
        Verdict.REVIEW: "yellow",
        Verdict.PASS: "green",
        Verdict.NOT_TESTED: "blue",
    }
    for verdict, lamp in FULL.verdicts.items():
        assert colour[verdict] in lamp.ink
        assert f"on {colour[verdict]}" in lamp.glow


def test_the_word_is_the_verdict() -> None:
    assert all(lamp.word == verdict.value for verdict, lamp in FULL.verdicts.items())
