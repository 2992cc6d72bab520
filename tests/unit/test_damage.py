"""Each kind of damage in its own words and at its own line. Any damage at any place: tests/property."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import orjson
import pytest

from probe.model.errors import RecordError
from probe.record.content import load
from probe.record.damage import Damage, diagnose
from probe.record.line import LONGEST_LINE, NO_LINE, digest, line
from probe.record.reader import Walk
from probe.record.verify import Verification, verify

SAMPLE = (Path(__file__).parents[1] / "records" / "format-1.audit.jsonl").read_bytes()
LINES = SAMPLE.splitlines(keepends=True)
COUNT = len(LINES)


@pytest.fixture
def verified(tmp_path: Path):  # type: ignore[no-untyped-def]
    def of(*lines: bytes) -> Verification:
        path = tmp_path / "r.audit.jsonl"
        path.write_bytes(b"".join(lines))
        return verify(path)

    return of


def _found(found: Verification) -> tuple[Damage, int | None]:
    return found.damage, found.first_bad_line


def _with(number: int, **changes: object) -> bytes:
    """Line ``number`` with members changed, in canonical form: a line all the same."""
    value = {**orjson.loads(LINES[number - 1]), **changes}
    return line(value["seq"], value["prev"], value["kind"], value["body"]) + b"\n"


NOTE = {"at_ns": 1, "text": "", "topic": ""}


def test_missing_lines_are_counted(verified) -> None:  # type: ignore[no-untyped-def]
    found = verified(*LINES[:9], *LINES[10:])
    assert (_found(found), found.text) == ((Damage.REMOVED, 10), "Line 10 is missing.")
    found = verified(*LINES[:9], *LINES[12:])
    assert (_found(found), found.text) == ((Damage.REMOVED, 10), "Lines 10 to 12 are missing.")


@pytest.mark.parametrize(("one", "other"), [(5, 6), (5, 7), (5, 12), (24, 25), (2, 25)])
def test_lines_that_changed_places_are_named_both(verified, one: int, other: int) -> None:  # type: ignore[no-untyped-def]
    lines = list(LINES)
    lines[one - 1], lines[other - 1] = lines[other - 1], lines[one - 1]
    found = verified(*lines)
    assert _found(found) == (Damage.SWAPPED, one)
    assert found.text.endswith(f"what belongs at line {one} stands at line {other}.")


def test_a_line_that_was_changed_in_form_is_found_by_the_next_one(verified) -> None:  # type: ignore[no-untyped-def]
    """The changed line still follows from the one before; only what comes behind it does not."""
    found = verified(*LINES[:9], _with(10, body={"of": "another"}), *LINES[10:])
    assert _found(found) == (Damage.CHANGED, 10)


def test_the_line_before_a_seal_that_was_changed_is_named(verified) -> None:  # type: ignore[no-untyped-def]
    cause = orjson.loads(LINES[COUNT - 2])["body"]
    changed = _with(COUNT - 1, body={**cause, "fix": "other words"})
    assert _found(verified(*LINES[: COUNT - 2], changed, LINES[-1])) == (Damage.CHANGED, COUNT - 1)


def test_a_link_that_was_changed_is_named_where_it_stands(verified) -> None:  # type: ignore[no-untyped-def]
    """Neither line 10 fits it nor line 12: it is line 11 itself that is wrong."""
    found = verified(*LINES[:10], _with(11, prev="ab" * 32), *LINES[11:])
    assert (_found(found), "link to the line before" in found.text) == ((Damage.CHANGED, 11), True)


def test_of_two_lines_that_do_not_fit_at_the_end_either_may_be_the_changed_one(verified) -> None:  # type: ignore[no-untyped-def]
    found = verified(*LINES[:10], _with(11, prev="ab" * 32))
    assert (_found(found), found.text) == (
        (Damage.CHANGED, 10),
        "Line 10 or line 11 was changed: they do not fit together.",
    )


def test_a_first_line_with_a_link_is_changed(verified) -> None:  # type: ignore[no-untyped-def]
    assert _found(verified(_with(1, prev="ab" * 32), *LINES[1:])) == (Damage.CHANGED, 1)
    assert _found(verified(_with(1, prev="ab" * 32))) == (Damage.CHANGED, 1)


def test_a_number_that_was_changed_is_named(verified) -> None:  # type: ignore[no-untyped-def]
    assert _found(verified(*LINES[:9], _with(10, seq=99), *LINES[10:])) == (Damage.CHANGED, 10)


def test_a_foreign_line_is_named_where_it_was_put_in(verified) -> None:  # type: ignore[no-untyped-def]
    for wrong in (
        b"{}\n",
        b"\n",
        line(3, NO_LINE, "note", NOTE) + b"\n",
        line(99, NO_LINE, "note", NOTE) + b"\n",
    ):
        found = verified(*LINES[:9], wrong, *LINES[9:])
        assert (_found(found), found.text) == (
            (Damage.INSERTED, 10),
            "Line 10 was put in: it does not belong there.",
        )


def test_a_line_put_in_by_somebody_who_made_it_follow_is_told_from_the_genuine_one(verified) -> None:  # type: ignore[no-untyped-def]
    """Both want the place of line 10; the one that line 11 follows is genuine."""
    forged = line(10, orjson.loads(LINES[9])["prev"], "note", NOTE) + b"\n"
    assert _found(verified(*LINES[:9], forged, *LINES[9:])) == (Damage.INSERTED, 10)
    assert _found(verified(*LINES[:10], forged, *LINES[10:])) == (Damage.INSERTED, 11)


def test_a_later_line_put_in_early_while_it_also_stands_in_its_place(verified) -> None:  # type: ignore[no-untyped-def]
    assert _found(verified(*LINES[:9], LINES[10], *LINES[9:])) == (Damage.INSERTED, 10)
    assert _found(verified(*LINES[:9], LINES[14], *LINES[9:])) == (Damage.INSERTED, 10)


def test_a_line_that_is_no_line_was_changed_or_is_cut(verified) -> None:  # type: ignore[no-untyped-def]
    broken = LINES[9][:-3] + b"\n"
    found = verified(*LINES[:9], broken, *LINES[10:])
    assert (_found(found), found.text) == ((Damage.CHANGED, 10), "Line 10 was changed: not JSON.")
    found = verified(*LINES[:9], LINES[9][:-5])
    assert _found(found) == (Damage.CUT, 10)
    assert "ends within line 10" in found.text
    assert _found(verified(*LINES[:9], LINES[9][:-1])) == (Damage.CUT, 10), "only its line end is missing"


def test_a_last_line_with_one_byte_too_many_is_not_called_a_cut(verified) -> None:  # type: ignore[no-untyped-def]
    """Something else than a line end stands where it was: nothing is missing."""
    assert _found(verified(*LINES[:9], LINES[9][:-1] + b" ")) == (Damage.CHANGED, 10)


def test_a_line_that_never_was_proper_is_told_from_one_that_was_changed(verified) -> None:  # type: ignore[no-untyped-def]
    wrong = line(2, digest(LINES[0][:-1]), "note", {"at_ns": 1, "text": ""}) + b"\n"
    then = line(3, digest(wrong[:-1]), "note", NOTE) + b"\n"
    found = verified(LINES[0], wrong, then)
    assert (_found(found), found.text) == (
        (Damage.FOREIGN_CONTENT, 2),
        "Line 2 follows from the one before, but it is no proper note line (topic).",
    )
    other = line(3, NO_LINE, "note", NOTE) + b"\n"
    assert _found(verified(LINES[0], wrong, other)) == (Damage.CHANGED, 2)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"\n", "The first line is empty."),
        (b"hello\n", "The first line is not that of a record."),
        (b"he\0llo\n", "The file holds binary data."),
        (b"\xfe\xff\0h\n", "The file is UTF-16 text"),
        (b"\xff\xfeh\0\n", "The file is UTF-16 text"),
        (b"x" * (LONGEST_LINE + 1), "The first line is longer than 16777216 bytes"),
        (b"x" * LONGEST_LINE, "The first line is not that of a record."),
    ],
)
def test_what_never_was_a_record(verified, data: bytes, says: str) -> None:  # type: ignore[no-untyped-def]
    found = verified(data)
    assert (_found(found), found.unchanged) == ((Damage.NOT_A_RECORD, 1), None)
    assert found.text.startswith(says)


def test_line_ends_are_not_all_that_differs_in_a_record_that_also_was_not_closed(verified) -> None:  # type: ignore[no-untyped-def]
    """Nothing proves that the rest is whole: no seal."""
    found = verified(*(one.replace(b"\n", b"\r\n") for one in LINES[:9]))
    assert _found(found) == (Damage.LINE_ENDS, 1)
    assert found.text.endswith("That is not all that differs.")


def test_a_byte_order_mark_within_is_a_change(verified) -> None:  # type: ignore[no-untyped-def]
    assert _found(verified(LINES[0], b"\xef\xbb\xbf" + LINES[1], *LINES[2:])) == (Damage.CHANGED, 2)


def test_a_damaged_copy_can_be_read_up_to_the_line_before(tmp_path: Path) -> None:
    packed = gzip.compress(SAMPLE, mtime=0)
    path = tmp_path / "r.audit.jsonl.gz"
    path.write_bytes(packed[: len(packed) // 2])
    found = verify(path)
    assert (found.damage, found.first_bad_line) == (Damage.PACKING, found.count + 1)
    assert f"up to line {found.count} (" in found.text
    with pytest.raises(RecordError) as caught:
        load(path)
    assert caught.value.problem.line == found.count + 1


def test_a_format_of_another_name_or_a_newer_one(verified) -> None:  # type: ignore[no-untyped-def]
    name = b"buswitness-record/" + b"9" * 100
    found = verified(SAMPLE.replace(b"buswitness-record/1", name, 1))
    assert _found(found) == (Damage.NEWER_FORMAT, 1)
    assert f"format is '{name.decode()[:60]}'," in found.text
    head = orjson.loads(LINES[0])["body"]
    other = _found(verified(line(1, NO_LINE, "head", {**head, "format": "somebody/1"}) + b"\n"))
    assert other == (Damage.NOT_A_RECORD, 1)
    for wrong in (5, None, ["buswitness-record/1"]):
        found = verified(line(1, NO_LINE, "head", {**head, "format": wrong}) + b"\n")  # type: ignore[dict-item]
        assert _found(found) == (Damage.FOREIGN_CONTENT, 1)


def test_where_nothing_stopped_the_walk_there_is_nothing_to_diagnose() -> None:
    file = io.BytesIO(SAMPLE)
    walk = Walk(file)
    assert sum(1 for _ in walk) == COUNT
    with pytest.raises(ValueError, match="nothing to diagnose"):
        diagnose(file, walk)
