"""Exchanges and strays left in the file: found again by their places, and refused if they are others now."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from probe.model.errors import RecordError
from probe.model.evidence import Exchange, Stray
from probe.record.bulk import Bulk
from probe.record.content import load
from probe.record.line import exchange_line

SAMPLE = Path(__file__).parents[1] / "records" / "format-1.audit.jsonl"
DATA = SAMPLE.read_bytes()
LINES = DATA.splitlines(keepends=True)
EXCHANGES, STRAYS = load(SAMPLE).evidence[Exchange], load(SAMPLE).evidence[Stray]
TAG = "MTR-M1"


def _bulk(data: bytes = DATA) -> Bulk:
    """All lines told; exchanges and strays of the device added, one of another tag beside them."""
    bulk = Bulk(io.BytesIO(data), SAMPLE)
    for number, line in enumerate(LINES, 1):
        bulk.ends_after(len(line))
        if number in dict(EXCHANGES):
            bulk.add(number, TAG if number % 2 else "other", exchange=True)
        elif number in dict(STRAYS):
            bulk.add(number, TAG, exchange=False)
    return bulk


def test_pieces_come_back_by_device_with_their_numbers() -> None:
    bulk = _bulk()
    exchanges, strays = bulk.of(TAG)
    assert exchanges == tuple(item for item in EXCHANGES if item[0] % 2)
    assert strays == STRAYS
    assert bulk.of("other") == (tuple(item for item in EXCHANGES if item[0] % 2 == 0), ())
    assert (TAG in bulk, "other" in bulk, "nobody" in bulk) == (True, True, False)
    assert bulk.exchanges == len(EXCHANGES)


def test_all_numbers_come_in_rising_order_whatever_device_they_are_of() -> None:
    assert list(_bulk().numbers()) == sorted([*dict(EXCHANGES), *dict(STRAYS)])


def test_copied_elsewhere_they_count_under_their_new_numbers() -> None:
    bulk = _bulk()
    bulk.renumber(100 + number for number in range(1, len(LINES) + 1))
    assert bulk.of(TAG)[0] == tuple((100 + number, one) for number, one in EXCHANGES if number % 2)
    assert dict(bulk.read(dict(EXCHANGES))) == dict(EXCHANGES), "where they stand is as it was"


def test_the_very_first_line_is_read_from_the_start() -> None:
    """A head is none of these, and is refused as one that was changed."""
    with pytest.raises(RecordError, match="line was changed while it was read") as caught:
        list(_bulk().read([1]))
    assert (caught.value.problem.line, caught.value.problem.file) == (1, str(SAMPLE))


def test_a_line_with_another_number_or_of_another_kind_was_changed_meanwhile() -> None:
    number = next(n for n, _ in EXCHANGES if n % 2)
    renumbered = LINES[number - 1].replace(b'"seq":%d}' % number, b'"seq":%d}' % (number + 1))
    data = b"".join([*LINES[: number - 1], renumbered, *LINES[number:]])
    assert len(data) == len(DATA)
    with pytest.raises(RecordError, match="changed while it was read") as caught:
        _bulk(data).of(TAG)
    assert caught.value.problem.line == number
    anchor = next(n for n, line in enumerate(LINES, 1) if b'"kind":"anchor"' in line)
    with pytest.raises(RecordError, match="changed while it was read"):
        list(_bulk().read([anchor]))


def test_bytes_that_are_no_line_any_more_are_refused() -> None:
    for wrong in (DATA.replace(b'"kind":"exchange"', b'"kind":"exchangE"'), DATA.replace(b"{", b"(")):
        with pytest.raises(RecordError) as caught:
            _bulk(wrong).of(TAG)
        assert caught.value.problem.line == next(n for n, _ in EXCHANGES if n % 2)
        assert "record verify" in caught.value.problem.remedy
    short = DATA.replace(b'"outcome":"data","purpose":"identity"', b'"outcome":"dato","purpose":"identity"')
    with pytest.raises(RecordError, match="not what its kind needs"):
        list(_bulk(short).read(dict(EXCHANGES)))


def test_each_line_of_a_file_is_found_where_it_stands() -> None:
    """From the second on, as in a record whose head is followed by evidence at once."""
    made = [b'{"head":"is none of these"}']
    for number in range(2, 8):
        made.append(exchange_line(number, "ab" * 32, EXCHANGES[0][1]._replace(sent_ns=number)))
    bulk = Bulk(io.BytesIO(b"".join(one + b"\n" for one in made)), SAMPLE)
    for number, one in enumerate(made, 1):
        bulk.ends_after(len(one) + 1)
        if number > 1:
            bulk.add(number, TAG, exchange=True)
    assert [(number, one.sent_ns) for number, one in bulk.of(TAG)[0]] == [(n, n) for n in range(2, 8)]
