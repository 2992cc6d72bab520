"""Any bytes end in a document or an InputError; what is read is what PyYAML's BaseLoader reads."""

from __future__ import annotations

import contextlib
from typing import Any

import yaml
from hypothesis import given
from hypothesis import strategies as st

from probe.collect.inputs import open_library
from probe.model.document import parse
from probe.model.errors import InputError
from probe.model.map_load import load_lineup

LIBRARY = open_library()
TEXT = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=12)
TREE = st.recursive(
    TEXT, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4), max_leaves=12
)
GOOD = (
    "format: buswitness-map/1\nsite: a\nlineup: b\nsystem: {voltage_v: 480, frequency_hz: 60}\n"
    "devices:\n  - tag: GW1\n    kind: gateway\n    profile: serial-gateway\n    section: A\n"
    "    address: {host: 10.20.1.31}\n  - tag: F1\n    kind: trip-unit\n    profile: trip-unit-first\n"
    "    section: A\n    address: {via: GW1, unit: 3}\n"
)


@given(st.dictionaries(TEXT, TREE, min_size=1, max_size=5))
def test_a_dumped_tree_reads_back_as_texts(tree: dict[str, Any]) -> None:
    """Outside check: PyYAML's dumper and its BaseLoader."""
    text = yaml.dump(tree, Dumper=yaml.SafeDumper, default_style='"', allow_unicode=True)
    text = text.replace("!!str ", "")
    document = parse("x.yaml", text)
    assert document.values == tree == yaml.load(text, Loader=yaml.BaseLoader)


@given(st.binary(max_size=200))
def test_any_bytes_end_well(data: bytes) -> None:
    with contextlib.suppress(InputError):
        parse("x.yaml", data)


@given(st.text(st.sampled_from("ab:- \n\t[]{},'\"#&*!|>?%@`<~1.é\0"), max_size=60))
def test_any_yaml_like_text_ends_well(text: str) -> None:
    with contextlib.suppress(InputError):
        parse("x.yaml", text)


@given(
    st.integers(0, len(GOOD)),
    st.integers(0, 12),
    TEXT | st.sampled_from(["\n", ":", "-", "[", "?", "''", "{}", "[]"]),
)
def test_a_damaged_map_loads_or_says_why(at: int, cut: int, put: str) -> None:
    text = GOOD[:at] + put + GOOD[at + cut :]
    try:
        load_lineup("m.yaml", lambda _: text.encode(), LIBRARY)
    except InputError as error:
        for problem in error.problems:
            assert problem.what
            assert "\n" not in problem.what


@given(st.integers(0, len(GOOD) - 1))
def test_a_map_cut_short_is_never_a_crash(at: int) -> None:
    with contextlib.suppress(InputError):
        load_lineup("m.yaml", lambda _: GOOD[:at].encode(), LIBRARY)
