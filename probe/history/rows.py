"""Rows that stand once for their content, found by its hash."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, insert, select


def id_by_hash(
    connection: Connection, table: Table, lineup_id: int, sha256: str, content: Mapping[str, bytes]
) -> int:
    """Id of the lineup's row with this hash, made if new. table: with ``lineup_id`` and ``sha256``."""
    found = connection.execute(
        select(table.c.id).where(table.c.lineup_id == lineup_id, table.c.sha256 == sha256)
    ).scalar()
    if found is not None:
        return int(found)
    row = {"lineup_id": lineup_id, "sha256": sha256, **content}
    return inserted(connection.execute(insert(table), row))


def inserted(result: Any) -> int:
    """Id of the row that an insert made (Any: the result's type depends on the statement)."""
    return int(result.inserted_primary_key[0])
