"""Questions put to the store: lists with filters, one visit whole, and where copies differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, or_, select

from assistant.records.errors import StoreError, UnknownVisit
from assistant.records.packing import Event, unpack
from assistant.records.store import Store
from assistant.records.tables import copies, readings, verdicts, visits
from assistant.visit.details import NUMBERS

LISTED = (
    visits.c.id,
    visits.c.started_at,
    visits.c.ended_at,
    visits.c.equipment,
    visits.c.equipment_name,
    visits.c.technician,
    visits.c.site,
    visits.c.how,
    visits.c.fault,
    visits.c.outcome,
    visits.c.summary,
    visits.c.invented,
    visits.c.copies,
    visits.c.torn,
    visits.c.readings,
    visits.c.close,
    visits.c.skipped,
    visits.c.seconds,
    visits.c.found,
    visits.c.mended,
    visits.c.danger,
    visits.c.not_done,
)


@dataclass(frozen=True)
class Wanted:
    """What a list is narrowed to; None narrows nothing.

    since, until: milliseconds since 1970, `until` not included. fault: an id, named
    at the end or found and mended on the way, or "none". text: found in visit id,
    site, technician, summary, model, serial or licence number. conflict: only visits with more than one copy.
    danger: only visits that a danger stands in.
    """

    equipment: str | None = None
    fault: str | None = None
    outcome: str | None = None
    technician: str | None = None
    site: str | None = None
    since: int | None = None
    until: int | None = None
    text: str | None = None
    conflict: bool = False
    danger: bool = False

    def clauses(self, sqlite: bool) -> list[ColumnElement[bool]]:
        """The conditions on `visits`. sqlite: whose LIKE takes capital and small letters for the same by itself."""
        found: list[ColumnElement[bool]] = []
        for column, value in (
            (visits.c.equipment, self.equipment),
            (visits.c.outcome, self.outcome),
            (visits.c.technician, self.technician),
            (visits.c.site, self.site),
        ):
            if value is not None:
                found.append(column == _storable(value))
        if self.fault is not None:
            found.append(visits.c.found.is_(None) if self.fault == "none" else visits.c.found == _storable(self.fault))
        if self.since is not None:
            found.append(visits.c.started_at >= self.since)
        if self.until is not None:
            found.append(visits.c.started_at < self.until)
        if self.text:
            # One string and one comparison: half the time of four.
            words: ColumnElement[str] = visits.c.id
            for column in (visits.c.site, visits.c.technician, visits.c.summary, *(visits.c[one] for one in NUMBERS)):
                words = words + "\n" + func.coalesce(column, "")
            pattern = f"%{_escaped(self.text)}%"
            found.append(words.like(pattern, escape="/") if sqlite else words.ilike(pattern, escape="/"))
        if self.conflict:
            found.append(visits.c.copies > 1)
        if self.danger:
            found.append(visits.c.danger.is_not(None))
        return found


@dataclass(frozen=True)
class Copy:
    """One copy of a visit. shown: whether lists and charts are made from it."""

    digest: str
    origin: str
    imported_at: int
    torn: bool
    shown: bool
    events: list[Event]


@dataclass(frozen=True)
class Difference:
    """The first place where two copies part. one, other: the lines there, None past an end."""

    place: int
    one: Event | None
    other: Event | None


def listed(
    store: Store, wanted: Wanted | None = None, limit: int | None = 50, after: tuple[int, str] | None = None
) -> list[dict[str, Any]]:
    """Visits, newest first, as plain rows. after: (started_at, id) of the last row of the page before."""
    wanted = wanted or Wanted()
    query = (
        select(*LISTED)
        .where(visits.c.started_at.is_not(None), *wanted.clauses(store.sqlite))
        .order_by(visits.c.started_at.desc(), visits.c.id.desc())
    )
    if after is not None:
        # The first condition says no more than the second, but an index can begin where it says.
        query = query.where(
            visits.c.started_at <= after[0],
            or_(visits.c.started_at < after[0], visits.c.id < _storable(after[1])),
        )
    with store.reading() as connection:
        return [dict(row) for row in connection.execute(query.limit(limit)).mappings()]


def counted(store: Store, wanted: Wanted | None = None) -> int:
    """How many visits `listed` would give without a limit."""
    with store.reading() as connection:
        return connection.execute(
            select(func.count())
            .select_from(visits)
            .where(visits.c.started_at.is_not(None), *(wanted or Wanted()).clauses(store.sqlite))
        ).scalar_one()


def visit_copies(store: Store, visit: str) -> list[Copy]:
    """Every copy of a visit, the shown one first. Raises UnknownVisit."""
    query = (
        select(copies, (copies.c.key == visits.c.shown).label("is_shown"))
        .join(visits, visits.c.key == copies.c.visit)
        .where(visits.c.id == _storable(visit))
    )
    try:
        with store.reading() as connection:
            found = [
                Copy(
                    row.digest, row.origin or "", row.imported_at, bool(row.torn), bool(row.is_shown), unpack(row.body)
                )
                for row in connection.execute(query.order_by(copies.c.events.desc(), copies.c.digest))
            ]
    except ValueError as error:
        raise StoreError(
            f"A copy of the visit '{visit}' is damaged: {error}.", "See: twohands records verify"
        ) from error
    if not found:
        raise UnknownVisit(
            f"There is no visit '{visit}' in the store.",
            "See the names with `twohands records list`, or import its journal first.",
        )
    return sorted(found, key=lambda one: not one.shown)


def difference(one: Copy, other: Copy) -> Difference:
    """Where two copies of a visit first part."""
    for place, (left, right) in enumerate(zip_longest(one.events, other.events)):
        if left != right:
            return Difference(place, left, right)
    return Difference(max(len(one.events), len(other.events)), None, None)


def resolve(store: Store, name: str) -> str:
    """The whole id of the one visit that begins with `name`. "last" is the newest. Raises UnknownVisit, StoreError."""
    if name == "last":
        rows = listed(store, limit=1)
        if not rows:
            raise UnknownVisit("The store holds no visit.", "Import one with `twohands records import FOLDER`.")
        return str(rows[0]["id"])
    with store.reading() as connection:
        ids = (
            connection.execute(
                select(visits.c.id)
                .where(visits.c.id.startswith(_storable(name), autoescape=True))
                .order_by(visits.c.id)
                .limit(5)
            )
            .scalars()
            .all()
        )
    if name in ids or len(ids) == 1:
        return name if name in ids else ids[0]
    if not ids:
        raise UnknownVisit(
            f"There is no visit '{name}' in the store.",
            "See the names with `twohands records list`, or import its journal first.",
        )
    raise StoreError(f"More than one visit begins with '{name}': {', '.join(ids)}.", "Give more of the name.")


def rows_of(connection: Connection, what: str, wanted: Wanted, size: int = 5000) -> Iterator[dict[str, Any]]:
    """All rows of "visits", "readings" or "verdicts" for the visits wanted, in order of time, read in pieces."""
    if what == "visits":
        columns = [one for one in visits.c if one.name not in ("key", "shown", "derived")]
        query: Select[Any] = select(*columns)
    else:
        table = {"readings": readings, "verdicts": verdicts}[what]
        columns = [one for one in table.c if one.name not in ("visit", "equipment", "site", "month")]
        query = select(
            visits.c.id.label("visit"), visits.c.equipment, visits.c.site, visits.c.technician, *columns
        ).join(visits, visits.c.key == table.c.visit)
        query = query.order_by(visits.c.started_at, visits.c.key, table.c.seq)
    if what == "visits":
        query = query.order_by(visits.c.started_at, visits.c.key)
    result = connection.execution_options(yield_per=size).execute(
        query.where(*wanted.clauses(connection.dialect.name == "sqlite"))
    )
    for row in result.mappings():
        yield dict(row)


def known_ids(store: Store) -> frozenset[str]:
    """The ids of all visits in the store."""
    with store.reading() as connection:
        return frozenset(connection.execute(select(visits.c.id)).scalars())


def _storable(value: str) -> str:
    """Text that a database can compare; no column holds the marks that are dropped."""
    return value.replace("\x00", "").encode("utf-8", "ignore").decode()


def _escaped(text: str) -> str:
    """Text for LIKE, in which its own signs stand for themselves."""
    return "".join(f"/{sign}" if sign in "/%_" else sign for sign in _storable(text))
