"""The register of checks keeps its promises; the manual's page and the cases keep up with it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from probe.judge import registry
from probe.judge.catalogue import markdown
from probe.judge.check import Check, Need
from probe.model.errors import InputError

ROOT = Path(__file__).parents[2]
CHECKS = tuple(registry.BY_ID.values())


def cases_by_check() -> dict[str, list[str]]:
    """Check id to the verdicts that its cases expect."""
    found: dict[str, list[str]] = {}
    for file in sorted((ROOT / "tests" / "cases").glob("*.yaml")):
        text = yaml.safe_load(file.read_text("utf-8"))
        for document in text if isinstance(text, list) else [text]:
            found.setdefault(document["check"], []).extend(case["expect"] for case in document["cases"])
    return found


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_every_check_says_what_it_is(check: Check) -> None:
    assert re.fullmatch(r"[a-z]+\.[a-z_]+", check.id)
    assert check.title
    assert len(check.title) <= 60
    assert len(check.why) > 40
    assert check.source
    assert check.where
    assert check.needs
    assert re.fullmatch(r"\d+\.\d+", check.since)
    assert 1 <= check.danger <= 9


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_every_check_has_cases_that_pass_and_do_not(check: Check) -> None:
    verdicts = set(cases_by_check().get(check.id, ()))
    assert "pass" in verdicts
    assert verdicts & {"fail", "review"}, "no case that fails, or for what can only be reviewed"
    assert "not tested" in verdicts or check.id.startswith("run.") or not is_ever_due(check)


def is_ever_due(check: Check) -> bool:
    """False for a check that only speaks where there is evidence, or that needs the map alone."""
    return check.id != "bus.patience" and check.needs != (Need.CABLING,)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_every_source_is_listed_or_says_what_it_is(check: Check) -> None:
    page = (ROOT / "docs" / "sources.md").read_text("utf-8")
    names = re.findall(r"^\| \*\*(.+?)\*\*", page, re.MULTILINE)
    marks = ("common practice, no source", "from memory", "rule: map", "profile")
    assert any(name in check.source for name in (*names, *marks)), check.source


def test_every_case_belongs_to_a_check() -> None:
    assert set(cases_by_check()) == set(registry.BY_ID)


def test_the_page_of_checks_is_current() -> None:
    """Make it anew: python -c "from probe.judge.catalogue import markdown; print(markdown(), end='')" """
    assert (ROOT / "docs" / "checks.md").read_text("utf-8") == markdown()


def test_no_id_is_registered_twice() -> None:
    with pytest.raises(ValueError, match="twice"):
        registry._indexed((*CHECKS, CHECKS[0]))


def test_an_unknown_check_names_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        registry.get("reach.answer")
    assert "reach.answers" in caught.value.problems[0].allowed


def test_checks_of_identity_and_proof_come_before_values() -> None:
    order = [check.id for check in registry.DEVICE_CHECKS]
    last_identity = max(order.index(name) for name in order if name.startswith("identity."))
    assert last_identity < order.index("proof.point") < order.index("fresh.device")
    first_value = min(
        order.index(n) for n in order if n.startswith(("values.", "state.", "supply.", "alarms."))
    )
    assert order.index("fresh.device") < first_value
