"""Whose key it is, and what a revoked one is still worth."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from probe.model.errors import InputError
from probe.record.trust import Standing, entry_text, signatory, trust_from

KEY = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"  # RFC 8032, 7.1, TEST 2
OTHER = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
HEAD = "format: buswitness-trust/1\nproject: Tarn Hollow Water Works\nkeys:\n"


def _ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000_000


BEFORE, AFTER = _ns("2026-02-28T23:59:59"), _ns("2026-03-01T00:00:00")


def _trust(why: str = "") -> bytes:
    revoked = f"    revoked: {{on: 2026-03-01, why: {why}}}\n" if why else ""
    return f"{HEAD}  - name: A. Tester\n    public: {KEY}\n{revoked}".encode()


def _standing(why: str, said: int, proved: int | None) -> Standing:
    return signatory(trust_from("t.yaml", _trust(why)), KEY, said, proved).standing


def test_a_key_in_the_list_is_known_by_name() -> None:
    found = signatory(trust_from("t.yaml", _trust()), KEY, AFTER, None)
    assert (found.standing, found.name, found.standing.is_known) == (Standing.KNOWN, "A. Tester", True)


def test_a_key_that_is_not_in_the_list_is_unknown() -> None:
    found = signatory(trust_from("t.yaml", _trust()), OTHER, AFTER, None)
    assert (found.standing, found.standing.is_known) == (Standing.UNKNOWN, False)


def test_without_signature_or_list_nothing_is_said() -> None:
    assert signatory(trust_from("t.yaml", _trust()), "", AFTER, None).standing is Standing.NO_SIGNATURE
    found = signatory(None, KEY, AFTER, None)
    assert (found.standing, found.standing.is_known) == (Standing.NO_LIST, None)


@pytest.mark.parametrize(
    ("why", "said", "proved", "standing"),
    [
        ("retired", BEFORE, None, Standing.RETIRED_LATER),
        ("retired", AFTER, None, Standing.REVOKED),
        ("lost", BEFORE, None, Standing.REVOKED),  # whoever found it can set a clock back
        ("stolen", BEFORE, None, Standing.REVOKED),
        ("lost", AFTER, None, Standing.REVOKED),
        ("lost", BEFORE, BEFORE, Standing.RETIRED_LATER),  # a time stamp proves it
        ("stolen", AFTER, BEFORE, Standing.RETIRED_LATER),  # whatever the computer's clock said
        ("lost", BEFORE, AFTER, Standing.REVOKED),  # stamped too late to prove anything
    ],
)
def test_what_a_revoked_key_is_worth(why: str, said: int, proved: int | None, standing: Standing) -> None:
    assert _standing(why, said, proved) is standing


@pytest.mark.parametrize(
    ("text", "says", "line"),
    [
        ("format: buswitness-trust/2\nkeys: []\n", "format", 1),
        (HEAD + "  - name: A\n    public: 12\n", "public", 5),
        (HEAD + f"  - name: A\n    public: {KEY}\n    revoked: {{on: yesterday, why: lost}}\n", "on", 6),
        (HEAD + f"  - name: A\n    public: {KEY}\n    revoked: {{on: 2026-03-01, why: sold}}\n", "why", 6),
        (HEAD + f"  - name: A\n    public: {KEY}\n    publik: 1\n", "publik", 6),
        (HEAD + f"  - name: A\n    public: {KEY}\n  - name: B\n    public: {KEY}\n", "twice", 7),
    ],
)
def test_a_wrong_trust_file_is_told_with_its_line(text: str, says: str, line: int) -> None:
    with pytest.raises(InputError) as caught:
        trust_from("t.yaml", text.encode())
    problem = caught.value.problems[0]
    assert says in str(problem)
    assert problem.line == line


def test_an_exported_entry_is_a_trust_file_whatever_the_name() -> None:
    for name in ("A. Tester", 'quote " and \\', "colon: # hash", "Prüfer €", "- dash"):
        trust = trust_from("t.yaml", (HEAD + entry_text(name, KEY)).encode())
        assert (trust.keys[0].name, trust.keys[0].public) == (name, KEY)
