"""Journals into the store, each visit once, however often and from however many machines.

What counts as the same: equal lines. A journal that begins with all lines of
a stored copy is the same visit grown longer and takes its place. Anything
else under the same visit id is a conflict: both copies stay, the visit is
marked, and the one with more lines is shown.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, fields, replace
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, bindparam, delete, select, update
from sqlalchemy.dialects import postgresql, sqlite

from assistant.errors import JournalError, NewerJournal
from assistant.records.derive import DERIVED, Derived, derive
from assistant.records.errors import Unstorable
from assistant.records.packing import Event, canonical, digest, finite, pack, unpack
from assistant.records.store import Store
from assistant.records.tables import copies, readings, verdicts, visits
from assistant.visit.journal_door import Broken, checked, name_problem, read

BATCH = 200
UNDERIVABLE = (ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError, RecursionError)
"""What lines that are none can do to the working out of their rows."""
JOURNAL = "journal.jsonl"


@dataclass(frozen=True)
class Journal:
    """One journal as read: its events, whether its last line was torn, and where it came from.

    imported_at: milliseconds since 1970 at which it first came into a store; None for now.
    passed: its lines have come through `assistant.visit.journal_door` already.
    """

    events: list[Event]
    torn: bool
    origin: str
    imported_at: int | None = None
    passed: bool = False

    @property
    def visit(self) -> str:
        return str(self.events[0]["visit"])


@dataclass
class Imported:
    """What an import did, by visit id. problems: what was refused and why, in plain words."""

    new: list[str] = field(default_factory=list)
    same: list[str] = field(default_factory=list)
    grown: list[str] = field(default_factory=list)
    conflicts: list[str] = field(default_factory=list)
    torn: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Ready:
    """A journal made ready outside the transaction, its rows worked out, so that what cannot be stored is known
    before."""

    journal: Journal
    body: bytes
    digest: str
    derived: Derived


def import_journals(store: Store, paths: Iterable[Path], now: Callable[[], float] = time.time) -> Imported:
    """Import journal files, visit folders, or folders of visits.

    now: seconds since 1970. A journal that cannot be read is named in
    `problems` and does not stop the others.
    """
    done = Imported()
    import_events(store, _read_all(paths, done), now, done)
    return done


def import_events(
    store: Store, journals: Iterable[Journal], now: Callable[[], float] = time.time, done: Imported | None = None
) -> Imported:
    """Import journals that are in memory, `BATCH` visits a transaction. Each stands alone: one that is refused stops
    no other."""
    done = done or Imported()
    stream = iter(journals)
    while batch := list(islice(stream, BATCH)):
        ready = [one for journal in batch if (one := _ready(journal, done)) is not None]
        # In the order of ids everywhere, so that importers wait for each other and never in a ring.
        ready.sort(key=lambda one: (one.journal.visit, len(one.journal.events), one.digest))
        if ready:
            _import_or_split(store, ready, round(now() * 1000), done)
    return done


def _ready(journal: Journal, done: Imported) -> _Ready | None:
    """The journal made ready, or None and a line in `problems`."""
    try:
        # Lines that never were on a disk pass the same door as those that were.
        problem = name_problem(journal.events if journal.passed else [checked(one) for one in finite(journal.events)])
        if problem:
            raise Broken(problem)
        body = canonical(journal.events)
        return _Ready(journal, body, digest(body), derive(journal.events, journal.torn))
    except (Broken, NewerJournal) as error:
        done.problems.append(f"{journal.origin or 'A journal'}: {getattr(error, 'reason', error)}")
    except UNDERIVABLE as error:
        done.problems.append(
            f"{journal.origin or 'A journal'}: it cannot be worked out ({type(error).__name__}: {str(error)[:80]})"
        )
    return None


def _import_or_split(store: Store, ready: list[_Ready], now: int, done: Imported) -> None:
    """Import a batch; where the database refuses it, its halves, down to the one journal that it refuses."""
    before = replace(done, **{one.name: list(getattr(done, one.name)) for one in fields(done)})
    try:
        with store.writing() as connection:
            _import_batch(connection, ready, now, done)
    except Unstorable as error:
        for one in fields(done):
            setattr(done, one.name, getattr(before, one.name))
        if len(ready) == 1:
            done.problems.append(f"{ready[0].journal.visit}: {error.problem}")
            return
        middle = len(ready) // 2
        _import_or_split(store, ready[:middle], now, done)
        _import_or_split(store, ready[middle:], now, done)


def rederive(store: Store) -> int:
    """Work out anew every visit whose columns are of an older derivation; returns how many."""
    count = 0
    while True:
        with store.writing() as connection:
            old = (
                select(visits.c.key, visits.c.torn, copies.c.body)
                .join(copies, copies.c.key == visits.c.shown)
                .where((visits.c.derived.is_(None)) | (visits.c.derived < DERIVED))
            )
            rows = connection.execute(old.order_by(visits.c.id).limit(BATCH).with_for_update(of=visits)).all()
            if not rows:
                return count
            anew = {row.key: one for row in rows if (one := _derived(row.body, bool(row.torn))) is not None}
            if anew:
                _write_derived(connection, anew, fresh=frozenset())
            if len(anew) < len(rows):
                # A copy that is damaged keeps the columns it has, and is not tried again; `verify` names it.
                connection.execute(
                    update(visits)
                    .where(visits.c.key.in_([row.key for row in rows if row.key not in anew]))
                    .values(derived=DERIVED)
                )
            count += len(anew)


def _derived(body: bytes, torn: bool) -> Derived | None:
    try:
        return derive(unpack(body), torn)
    except UNDERIVABLE:
        return None


def _read_all(paths: Iterable[Path], done: Imported) -> Iterator[Journal]:
    for path in paths:
        for file in journal_files(path):
            try:
                events, torn = read(file)
            except JournalError as error:
                done.problems.append(error.text)
                continue
            yield Journal(events, torn, str(file.parent), passed=True)


def journal_files(path: Path) -> Iterator[Path]:
    """The journals at `path`: a file, a visit's folder, or a folder of visits; sorted."""
    if path.is_file():
        yield path
    elif (path / JOURNAL).is_file():
        yield path / JOURNAL
    else:
        yield from sorted(path.glob(f"*/{JOURNAL}"))


def _import_batch(connection: Connection, ready: list[_Ready], now: int, done: Imported) -> None:
    keys, fresh = _locked_keys(connection, [one.journal.visit for one in ready])
    held = _held(connection, [keys[visit] for visit in keys if visit not in fresh])
    added: dict[int, list[_Ready]] = {}
    dropped: list[int] = []
    for one in ready:
        key = keys[one.journal.visit]
        have = held.get(key, [])
        if any(other["digest"] == one.digest for other in have) or any(
            other.digest == one.digest for other in added.get(key, [])
        ):
            done.same.append(one.journal.visit)
            continue
        place = _place(connection, one, have, added.get(key, []))
        if place.known_longer:
            done.same.append(one.journal.visit)
            continue
        dropped += place.stored_prefixes
        held[key] = [other for other in have if other["key"] not in place.stored_prefixes]
        added[key] = [other for other in added.get(key, []) if other not in place.new_prefixes] + [one]
        if one.journal.torn:
            done.torn.append(one.journal.visit)
        if held[key] or len(added[key]) > 1:
            done.conflicts.append(one.journal.visit)
        elif place.stored_prefixes or place.new_prefixes:
            done.grown.append(one.journal.visit)
        else:
            done.new.append(one.journal.visit)
    if added:
        _write(
            connection,
            {key: list_ for key, list_ in added.items() if list_},
            dropped,
            now,
            fresh={keys[visit] for visit in fresh},
        )


@dataclass(frozen=True)
class _Place:
    """Where a journal stands among the copies there are."""

    known_longer: bool
    stored_prefixes: list[int]
    new_prefixes: list[_Ready]


def _place(connection: Connection, one: _Ready, have: list[dict[str, Any]], beside: list[_Ready]) -> _Place:
    stored = []
    for other in have:
        body = canonical(
            unpack(connection.execute(select(copies.c.body).where(copies.c.key == other["key"])).scalar_one())
        )
        if begins(body, one.body):
            return _Place(True, [], [])
        if begins(one.body, body):
            stored.append(other["key"])
    if any(begins(other.body, one.body) for other in beside):
        return _Place(True, [], [])
    return _Place(False, stored, [other for other in beside if begins(one.body, other.body)])


def begins(longer: bytes, shorter: bytes) -> bool:
    """Whether the lines of `longer` begin with all lines of `shorter`."""
    return longer == shorter or longer.startswith(shorter + b"\n")


def _locked_keys(connection: Connection, ids: list[str]) -> tuple[dict[str, int], set[str]]:
    """Visit id to key, made where new, each row locked till the transaction ends; and the ids that were new."""
    names = sorted(set(ids))
    insert = _insert(connection)(visits).on_conflict_do_nothing(index_elements=["id"]).returning(visits.c.id)
    fresh = set(connection.execute(insert, [{"id": name} for name in names]).scalars())
    rows = connection.execute(
        select(visits.c.id, visits.c.key).where(visits.c.id.in_(names)).order_by(visits.c.id).with_for_update()
    ).all()
    return {row.id: row.key for row in rows}, fresh


def _held(connection: Connection, keys: list[int]) -> dict[int, list[dict[str, Any]]]:
    found: dict[int, list[dict[str, Any]]] = {}
    if keys:
        query = select(copies.c.visit, copies.c.key, copies.c.digest).where(copies.c.visit.in_(keys))
        for row in connection.execute(query).mappings():
            found.setdefault(row["visit"], []).append(dict(row))
    return found


def _write(
    connection: Connection, added: dict[int, list[_Ready]], dropped: list[int], now: int, fresh: set[int]
) -> None:
    rows = [
        {
            "visit": key,
            "digest": one.digest,
            "origin": one.journal.origin[:300],
            "imported_at": one.journal.imported_at or now,
            "events": len(one.journal.events),
            "torn": one.journal.torn,
            "body": pack(one.body),
        }
        for key, list_ in added.items()
        for one in list_
    ]
    connection.execute(copies.insert(), rows)
    if dropped:
        connection.execute(delete(copies).where(copies.c.key.in_(dropped)))
    # The choice depends on nothing but the copies themselves: every order of importing shows the same one.
    ranked = (
        select(copies.c.visit, copies.c.key, copies.c.digest, copies.c.torn, copies.c.events)
        .where(copies.c.visit.in_(list(added)))
        .order_by(copies.c.visit, copies.c.events.desc(), copies.c.digest)
    )
    shown: dict[int, Any] = {}
    count: dict[int, int] = {}
    for row in connection.execute(ranked):
        shown.setdefault(row.visit, row)
        count[row.visit] = count.get(row.visit, 0) + 1
    in_hand = {one.digest: one for list_ in added.values() for one in list_}
    derived = {}
    for key, row in shown.items():
        here = in_hand.get(row.digest)
        if here is not None and here.journal.torn == bool(row.torn):
            derived[key] = here.derived
        else:
            derived[key] = derive(
                unpack(connection.execute(select(copies.c.body).where(copies.c.key == row.key)).scalar_one()),
                bool(row.torn),
            )
    _write_derived(connection, derived, frozenset(fresh))
    connection.execute(
        update(visits)
        .where(visits.c.key == bindparam("of"))
        .values(shown=bindparam("head"), copies=bindparam("number")),
        [{"of": key, "head": row.key, "number": count[key]} for key, row in shown.items()],
    )


def _write_derived(connection: Connection, derived: dict[int, Derived], fresh: frozenset[int]) -> None:
    names = list(next(iter(derived.values())).visit)
    connection.execute(
        update(visits)
        .where(visits.c.key == bindparam("of"))
        .values({name: bindparam(f"new_{name}") for name in names}),
        [{"of": key, **{f"new_{name}": value for name, value in one.visit.items()}} for key, one in derived.items()],
    )
    stale = [key for key in derived if key not in fresh]
    for table, rows in ((readings, "readings"), (verdicts, "verdicts")):
        if stale:
            connection.execute(delete(table).where(table.c.visit.in_(stale)))
        new = [{"visit": key, **row} for key, one in derived.items() for row in getattr(one, rows)]
        if new:
            connection.execute(table.insert(), new)


def _insert(connection: Connection) -> Callable[..., Any]:
    return postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
