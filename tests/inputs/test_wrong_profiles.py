"""One wrong profile a rule, with the exact message: ``profiles/RULE.yaml`` and ``profiles/RULE.txt``.

The messages are made anew by ``python tests/inputs/test_wrong_profiles.py``; read them before they are kept.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.model.errors import InputError
from probe.model.lineup import SourceText
from probe.model.profile_load import ProfileLibrary

FOLDER = Path(__file__).with_name("profiles")
RULES = sorted(path.stem for path in FOLDER.glob("*.yaml"))


def library() -> ProfileLibrary:
    return ProfileLibrary(
        {
            rule: SourceText(
                name=f"{rule}.yaml", text=(FOLDER / f"{rule}.yaml").read_text(encoding="utf-8"), sha256=""
            )
            for rule in RULES
        }
    )


def told(rule: str) -> str:
    problems = library().check(rule).problems
    return "".join(f"{problem}\n" for problem in problems)


@pytest.mark.parametrize("rule", RULES)
def test_the_exact_message(rule: str) -> None:
    assert told(rule) == (FOLDER / f"{rule}.txt").read_text(encoding="utf-8")


HARMLESS = ("good", "overlaps-needless", "warnings")


@pytest.mark.parametrize("rule", [rule for rule in RULES if rule not in HARMLESS])
def test_every_rule_refuses(rule: str) -> None:
    with pytest.raises(InputError):
        library().get(rule)


def test_the_good_one_has_nothing_wrong() -> None:
    assert told("good") == ""
    assert library().get("good").by_name["volts"].start == 10


def test_warnings_do_not_refuse() -> None:
    for rule in ("overlaps-needless", "warnings"):
        checked = library().check(rule)
        assert checked.profile is not None
        assert {problem.severity for problem in checked.problems} == {"warning"}


if __name__ == "__main__":
    for name in RULES:
        (FOLDER / f"{name}.txt").write_text(told(name), encoding="utf-8", newline="\n")
