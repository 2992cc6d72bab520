"""Misfits in our words, at their places; what is allowed comes from the model itself."""

from __future__ import annotations

from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from probe.model.document import parse
from probe.model.errors import InputError, Problem
from probe.model.shape import fit, must_fit, refuse


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Inner(Strict):
    host: str = "x"
    port: Annotated[int, Field(ge=1, le=65_535)] = 502
    share: Annotated[float, Field(gt=0, le=1)] = 1

    @model_validator(mode="after")
    def _rule(self) -> Inner:
        if self.host == "bad":
            raise refuse("host is bad", allowed="a good one", remedy="change it", at=("host",))
        return self


class Outer(Strict):
    kind: Literal["meter", "switch"]
    inner: Inner = Inner()
    several: tuple[Inner, ...] = ()
    either: int | tuple[int, ...] = 0
    names: dict[int, str] = {}
    live: bool = True
    code: Annotated[str, Field(pattern="^[A-Z]+$", json_schema_extra={"x-allowed": "capital letters"})] = "A"

    @field_validator("live")
    @classmethod
    def _live(cls, live: bool) -> bool:
        if not live:
            raise ValueError("dead is not allowed")
        return live


def problems_of(text: str, hints: dict[str, str] | None = None) -> tuple[Problem, ...]:
    made, problems = fit(parse("x.yaml", text), Outer, hints=hints or {})
    assert (made is None) == bool(problems)
    return problems


def only(text: str) -> Problem:
    (problem,) = problems_of(text)
    return problem


def test_texts_become_what_the_model_says() -> None:
    made = must_fit(
        parse("x.yaml", "kind: meter\ninner: {port: 1502, share: 0.5}\nlive: yes\nnames: {3: a}\n"), Outer
    )
    assert (made.inner.port, made.inner.share, made.live, made.names) == (1502, 0.5, True, {3: "a"})


@pytest.mark.parametrize(
    ("text", "what", "allowed"),
    [
        ("inner: {port: 0}", "port is out of range", "a whole number from 1 to 65535"),
        ("inner: {port: 65536}", "port is out of range", "a whole number from 1 to 65535"),
        ("inner: {port: 1.5}", "port is not a whole number", "a whole number from 1 to 65535"),
        ("inner: {share: 0}", "share is out of range", "a number above 0 and at most 1"),
        ("inner: {share: x}", "share is not a number", "a number above 0 and at most 1"),
        ("live: perhaps", "live is neither yes nor no", "yes or no"),
        ("code: abc", "code is not written as allowed", "capital letters"),
        (
            "inner: 3",
            "inner must be a group of fields, each on its own line, indented",
            "the fields host, port, share",
        ),
        (
            "several: {a: 1}",
            "several must be a list: each entry begins with a dash",
            "a list, each entry after a dash",
        ),
        (
            "several: [3]",
            "entry 1 of several must be a group of fields, each on its own line, indented",
            "the fields host, port, share",
        ),
        ("live: no", "dead is not allowed", ""),
        ("inner: {host: bad}", "host is bad", "a good one"),
        ("inner: {port: '?'}", "port is still to be filled in", "a whole number from 1 to 65535"),
        ("code: ''", "code has no value", "capital letters"),
    ],
)
def test_each_misfit_in_plain_words(text: str, what: str, allowed: str) -> None:
    problem = only(f"kind: meter\n{text}\n")
    assert (problem.what, problem.allowed) == (what, allowed)
    assert problem.line == 2


def test_a_wrong_word_gets_the_list_and_the_nearest() -> None:
    problem = only("kind: metre\n")
    assert (problem.found, problem.allowed, problem.remedy) == (
        "metre",
        "meter, switch",
        "did you mean meter?",
    )


def test_an_unknown_key_is_told_at_the_key_with_the_nearest_name() -> None:
    problem = only("kind: meter\ninner:\n  prot: 502\n")
    assert (problem.line, problem.column, problem.field) == (3, 3, "inner.prot")
    assert problem.remedy == "did you mean port?"


def test_an_unknown_key_that_belongs_deeper_is_sent_there() -> None:
    assert only("kind: meter\nport: 502\n").remedy == "port belongs under inner, indented"


def test_an_unknown_key_that_people_use_is_known() -> None:
    (problem,) = problems_of("kind: meter\nIP Address: x\n", {"ip_address": "inner.host"})
    assert problem.remedy == "did you mean inner.host?"


def test_a_missing_field_is_told_where_it_should_stand() -> None:
    problem = only("inner:\n  port: 1\n")
    assert (problem.what, problem.field, problem.line) == ("kind is missing", "kind", 1)
    assert problem.remedy == "add a line `kind: ...`"


def test_a_rule_over_a_group_points_at_the_field_that_breaks_it() -> None:
    problem = only("kind: meter\ninner:\n  port: 1\n  host: bad\n")
    assert (problem.line, problem.column, problem.field) == (4, 9, "inner.host")


def test_all_misfits_at_once_in_reading_order_each_place_once() -> None:
    problems = problems_of("kind: x\nlive: x\ninner: {port: x}\neither: x\nwrong: 1\n")
    assert [problem.line for problem in problems] == [1, 2, 3, 4, 5]


def test_of_a_union_the_branch_that_was_meant_is_told() -> None:
    assert only("kind: meter\neither: [1, x]\n").field == "either[1]"


def test_values_of_a_list_of_entries_keep_their_path() -> None:
    document = parse("x.yaml", "kind: meter\nseveral:\n  - port: 1\n  - port: x\n")
    made, problems = fit(document, Inner, path=("several", 1))
    assert made is None
    assert problems[0].field == "several[1].port"
    assert fit(document, Inner, path=("several", 0))[0] == Inner(port=1)


def test_must_fit_raises_all() -> None:
    with pytest.raises(InputError) as caught:
        must_fit(parse("x.yaml", "kind: x\nlive: x\n"), Outer)
    assert len(caught.value.problems) == 2
