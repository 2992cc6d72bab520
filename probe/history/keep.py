"""Keep: takes the digest of a run into the history, once, whatever the order in which runs arrive."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from sqlalchemy import Connection, bindparam, insert, select

from probe.history import derive, schema
from probe.history.digest import RunDigest, Series
from probe.history.life import Change, Moment, Turn
from probe.history.pack import pack_numbers, pack_verdicts, pack_whole
from probe.history.rows import id_by_hash, inserted
from probe.history.sound import sound
from probe.history.store import History
from probe.history.texts import pack_facts, pack_said
from probe.model.finding import Verdict

LINEUPS_KNOWN = 500  # of so many lineups, names are held in memory: some 200 KB each

# Made once: to build a statement costs more than to run it.
_KNOWN = select(schema.run.c.id).where(
    schema.run.c.lineup_id == bindparam("of_lineup"), schema.run.c.code == bindparam("of_code")
)
_INSERT_RUN = insert(schema.run)


class Kept(NamedTuple):
    """What became of a digest. is_new: False if the history had this record already.

    is_latest: False if a later run of this lineup was there; then lives and changes were made again from all
    runs, and ``turn`` and ``changes`` are empty: news of the past wake nobody.
    """

    lineup_id: int
    run_id: int
    is_new: bool
    is_latest: bool = True
    turn: Turn = Turn()
    changes: tuple[Change, ...] = ()


@dataclass(slots=True)
class _Names:
    """Ids that a lineup's rows have, as this process knows them."""

    verdicts: dict[Series, int] = field(default_factory=dict)
    numbers: dict[Series, int] = field(default_factory=dict)
    layouts: dict[tuple[tuple[Series, ...], tuple[Series, ...]], int] = field(default_factory=dict)
    sheets: dict[str, int] = field(default_factory=dict)


class Keeper:
    """Writes runs into one history; holds what it learned of names, so that a run costs a few statements."""

    def __init__(self, history: History) -> None:
        self._history = history
        self._names: dict[int, _Names] = {}

    def keep(self, digest: RunDigest) -> Kept:
        """Take one run in, all of it or nothing. A record that is there already changes nothing.

        Raises InputError if its times are none, sqlalchemy.exc.DatabaseError if the database refuses (full
        disk, lost connection).
        """
        return self.keep_all((digest,))[0]

    def keep_all(self, digests: Iterable[RunDigest]) -> tuple[Kept, ...]:
        """Take several runs in, all or none: much faster than one by one."""
        try:
            with self._history.writing() as connection:
                return tuple(self._keep(connection, sound(digest)) for digest in digests)
        except BaseException:
            self._names.clear()  # ids that were rolled back
            raise

    def _keep(self, connection: Connection, digest: RunDigest) -> Kept:
        lineup = derive.locked_lineup(connection, digest.site, digest.lineup)
        known = connection.execute(_KNOWN, {"of_lineup": lineup.id, "of_code": digest.code})
        if (run_id := known.scalar()) is not None:
            return Kept(lineup.id, run_id, is_new=False)
        names = self._names_of(lineup.id)
        sheet_id = _sheet(connection, lineup.id, names, digest)
        run_id = _insert_run(
            connection, lineup.id, _layout(connection, lineup.id, names, digest), sheet_id, digest
        )
        moment = Moment(run_id, digest.started_ns)
        if digest.started_ns <= lineup.latest_ns:
            derive.make_again(connection, lineup.id)
            return Kept(lineup.id, run_id, is_new=True, is_latest=False)
        done, changed = derive.advance(connection, lineup, moment, digest, sheet_id)
        return Kept(lineup.id, run_id, True, True, done, changed)

    def _names_of(self, lineup_id: int) -> _Names:
        names = self._names.pop(lineup_id, None) or _Names()
        while len(self._names) >= LINEUPS_KNOWN:
            del self._names[next(iter(self._names))]  # not seen for the longest time
        self._names[lineup_id] = names
        return names


def _insert_run(
    connection: Connection, lineup_id: int, layout_id: int, sheet_id: int, digest: RunDigest
) -> int:
    counts = dict.fromkeys(Verdict, 0)
    for verdict in digest.verdicts.values():
        counts[verdict] += 1
    row = {
        "lineup_id": lineup_id,
        "started_ns": digest.started_ns,
        "finished_ns": digest.finished_ns,
        "code": digest.code,
        "complete": digest.complete,
        "place": digest.place,
        "tool_version": digest.tool_version,
        "passes": counts[Verdict.PASS],
        "fails": counts[Verdict.FAIL],
        "reviews": counts[Verdict.REVIEW],
        "untested": counts[Verdict.NOT_TESTED],
        "layout_id": layout_id,
        "sheet_id": sheet_id,
        "verdicts": pack_verdicts(digest.verdicts.values()),
        "numbers": pack_numbers(digest.numbers.values()),
        "said": pack_said(digest.said, digest.causes, digest.tested),
    }
    return inserted(connection.execute(_INSERT_RUN, row))


def _layout(connection: Connection, lineup_id: int, names: _Names, digest: RunDigest) -> int:
    """Id of the layout: which series stand where in this run's block."""
    key = (tuple(digest.verdicts), tuple(digest.numbers))
    if key not in names.layouts:
        ids = (
            _series(connection, lineup_id, names.verdicts, key[0], is_number=False),
            _series(connection, lineup_id, names.numbers, key[1], is_number=True),
        )
        packed = {"verdicts": pack_whole(ids[0]), "numbers": pack_whole(ids[1])}
        code = hashlib.sha256(packed["verdicts"] + b"|" + packed["numbers"]).hexdigest()
        names.layouts[key] = id_by_hash(connection, schema.layout, lineup_id, code, packed)
    return names.layouts[key]


def _series(
    connection: Connection,
    lineup_id: int,
    known: dict[Series, int],
    wanted: Iterable[Series],
    *,
    is_number: bool,
) -> list[int]:
    """Ids of the series, made where they are new."""
    wanted = tuple(wanted)
    table = schema.series
    if not known:
        rows = select(table.c.id, table.c.subject, table.c.name, table.c.unit).where(
            table.c.lineup_id == lineup_id, table.c.is_number == is_number
        )
        known.update({Series(*rest): found for found, *rest in connection.execute(rows)})
    if missing := [one for one in dict.fromkeys(wanted) if one not in known]:
        fresh = [{"lineup_id": lineup_id, "is_number": is_number, **one._asdict()} for one in missing]
        made = insert(table).returning(table.c.id, sort_by_parameter_order=True)
        known.update(zip(missing, connection.execute(made, fresh).scalars(), strict=True))
    return [known[one] for one in wanted]


def _sheet(connection: Connection, lineup_id: int, names: _Names, digest: RunDigest) -> int:
    code, data = pack_facts(digest.facts)
    if code not in names.sheets:
        names.sheets[code] = id_by_hash(connection, schema.sheet, lineup_id, code, {"facts": data})
    return names.sheets[code]
