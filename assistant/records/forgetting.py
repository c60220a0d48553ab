"""Take visits out of the store for good: every row and every copy, and the bytes that they left in the database's
files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import ColumnElement, delete, func, or_, select, text, update

from assistant.records.errors import StoreError
from assistant.records.store import Store
from assistant.records.tables import copies, forgotten, readings, verdicts, visits

VACUUM_CACHE = -8192
"""Memory for writing the file anew; negative: KiB, as SQLite counts."""
TABLES = ("visits", "copies", "readings", "verdicts")


@dataclass(frozen=True)
class Found:
    """A visit in the store that is to be forgotten. at: milliseconds since 1970 of its last line."""

    id: str
    technician: str
    site: str
    at: int | None


def matching(
    store: Store, ids: Sequence[str] = (), customer: str | None = None, before: int | None = None
) -> list[Found]:
    """The visits of these ids, of this customer or place, or whose last line is from before a time (milliseconds
    since 1970)."""
    if not ids and customer is None and before is None:
        return []
    clauses: list[ColumnElement[bool]] = [visits.c.id.in_([one.replace("\x00", "") for one in ids])] if ids else []
    if customer is not None:
        clauses.append(func.lower(func.trim(visits.c.site)) == customer.strip().lower())
    if before is not None:
        clauses.append(visits.c.ended_at < before)
    query = (
        select(visits.c.id, visits.c.technician, visits.c.site, visits.c.ended_at)
        .where(or_(*clauses))
        .order_by(visits.c.started_at, visits.c.id)
    )
    with store.reading() as connection:
        return [Found(row.id, row.technician or "", row.site or "", row.ended_at) for row in connection.execute(query)]


def forget(store: Store, ids: Sequence[str]) -> int:
    """Delete visits and all their copies, readings and verdicts in one transaction; how many visits went. Then see
    `scrub`."""
    if not ids:
        return 0
    gone = 0
    with store.writing() as connection:
        for begin in range(0, len(ids), 500):
            keys = (
                connection.execute(
                    select(visits.c.key).where(visits.c.id.in_(ids[begin : begin + 500])).with_for_update()
                )
                .scalars()
                .all()
            )
            if not keys:
                continue
            for table in (readings, verdicts, copies):
                connection.execute(delete(table).where(table.c.visit.in_(keys)))
            connection.execute(delete(visits).where(visits.c.key.in_(keys)))
            gone += len(keys)
        if gone:
            connection.execute(update(forgotten).values(count=forgotten.c.count + gone))
    return gone


def scrub(store: Store) -> str:
    """Write the database's files anew, so that nothing of what was deleted is left in them; a sentence on what is
    left, or "".

    SQLite: VACUUM, then the write-ahead log is emptied. PostgreSQL: VACUUM FULL and a
    checkpoint; its write-ahead log, its replicas and all backups keep what they have.
    """
    if not store.sqlite:
        with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            for table in TABLES:
                connection.execute(text(f"VACUUM (FULL, ANALYZE) {table}"))
            try:
                connection.execute(text("CHECKPOINT"))
            except Exception as error:
                raise StoreError(
                    "The database's files may still hold what was deleted until its next checkpoint.",
                    "Ask who runs the database for a CHECKPOINT.",
                ) from error
        return "The server's write-ahead log keeps old pages until it is recycled; replicas keep what they have."
    raw = store.engine.raw_connection()
    try:
        cursor = raw.cursor()
        # The new file is built on disk, beside the old one, where only its owner may look: in memory it would take as
        # much as the whole store. The connection goes back to a pool, so that its settings are put back.
        kept = cursor.execute("PRAGMA cache_size").fetchone()[0]
        place = str(Path(store.engine.url.database or "").absolute().parent).replace("'", "''")
        for line in (f"temp_store_directory='{place}'", "temp_store=FILE", f"cache_size={VACUUM_CACHE}"):
            cursor.execute(f"PRAGMA {line}")
        try:
            cursor.execute("VACUUM")
        finally:
            for line in ("temp_store_directory=''", "temp_store=MEMORY", f"cache_size={kept}"):
                cursor.execute(f"PRAGMA {line}")
        busy, log, moved = cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        cursor.close()
    finally:
        raw.close()
    return (
        f"Another program has the store open; {log - moved} old pages stay in its log until that ends." if busy else ""
    )
