"""The document's own words: none missing, none left over, and a translation that fits."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import probe.present.turnover as package
from probe.model.errors import InputError
from probe.present.turnover.texts import Texts, english, texts_from

HOME = Path(package.__file__).parent


def asked_for() -> set[str]:
    """Names of texts in the sources, those with a part that is filled in as patterns."""
    source = "\n".join(path.read_text(encoding="utf-8") for path in HOME.glob("*.py"))
    return set(re.findall(r'"((?:[a-z]+)\.[a-z_{}().\[\]]+)"', source)) | {"language"}


def test_every_text_is_used_and_every_name_has_a_text() -> None:
    patterns = {re.sub(r"\{[^}]*\}", "[a-z_]+", re.escape(name).replace("\\{", "{").replace("\\}", "}"))
                for name in asked_for()}  # fmt: skip
    used = {name for name in english() if any(re.fullmatch(pattern, name) for pattern in patterns)}
    filled = {
        "meaning",
        "verdict",
        "identity",
        "column",
        "method",
        "cautions",
        "proof",
        "sign",
        "cover",
        "history",
    }
    left_over = {name for name in english() if name not in used and name.partition(".")[0] not in filled}
    assert not left_over


def test_a_name_of_no_text_is_an_error() -> None:
    with pytest.raises(KeyError):
        Texts(english())("cover.no_such_text")


def test_a_translation_replaces_what_it_holds() -> None:
    texts = texts_from(
        "de.yaml", b"language: de\nverdict: {fail: nicht bestanden}\npaper: {head: '{site}: {lineup}'}\n"
    )
    t = Texts(texts)
    assert (t("language"), t("verdict.fail"), t("verdict.pass")) == ("de", "nicht bestanden", "pass")
    assert t("paper.head", lineup="L", site="S") == "S: L"


@pytest.mark.parametrize(
    ("text", "what", "line"),
    [
        (b"cover:\n  skope: x\n", "no text of this name", 2),
        (b"paper:\n  head: '{lineup} alone'\n", "places for values", 2),
        (b"paper:\n  head: '{lineup.__class__} {site}'\n", "places for values", 2),
        (b"paper:\n  head: '{lineup!r} {site}'\n", "places for values", 2),
        (b"paper:\n  head: '{lineup {site}'\n", "places for values", 2),
        (b"contents: {heading: ''}\n", "places for values", 1),
    ],
)
def test_a_translation_that_does_not_fit_is_told_with_its_place(text: bytes, what: str, line: int) -> None:
    with pytest.raises(InputError) as caught:
        texts_from("de.yaml", text)
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == ("de.yaml", line)
    assert what in problem.what
