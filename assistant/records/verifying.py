"""Are records what was written? Journals on disk, copies in the store, copies that other machines sent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from assistant.errors import JournalError
from assistant.visit import chain
from assistant.visit.journal_door import FILE, name_problem, read

if TYPE_CHECKING:
    from assistant.records.store import Store


PIECE = 200
"""Copies that are held in memory at once."""


@dataclass(frozen=True)
class Verified:
    """One journal or copy. where: "here", "store" or "received". state: as in `chain.Checked`, or "unreadable".
    words: for a person."""

    visit: str
    where: str
    state: str
    words: str
    seal: str = ""

    @property
    def good(self) -> bool:
        return self.state in ("whole", "unchained")


def verify_folder(folder: Path, where: str) -> Verified:
    """A journal on disk, against its own chain and against the visit's kept procedure."""
    try:
        events, torn = read(folder)
    except JournalError as error:
        return Verified(folder.name, where, "unreadable", error.problem)
    problem = name_problem(events)
    if problem:
        return Verified(folder.name, where, "unreadable", problem)
    found = chain.check(events)
    words = found.words + (" Its last line was cut short." if torn else "")
    return Verified(str(events[0]["visit"]), where, found.state, words, found.seal)


def verify_all(
    visits: Path | None, received: Path | None, store: Store | None, wanted: frozenset[str] = frozenset()
) -> Iterator[Verified]:
    """Everything there is, or only the visits `wanted`, and last what disagrees between places."""
    for where, places in (
        ("here", visits.glob(f"*/{FILE}") if visits else ()),
        ("received", received.glob(f"*/*/{FILE}") if received else ()),
    ):
        for path in sorted(places):
            if wanted and path.parent.name not in wanted:
                continue
            yield verify_folder(path.parent, where)
    if store is not None:
        yield from _in_store(store, wanted)
    yield from _shorter(visits, store, wanted)


def _in_store(store: Store, wanted: frozenset[str]) -> Iterator[Verified]:
    from sqlalchemy import select

    from assistant.records.tables import copies, visits

    named = select(visits.c.id, copies.c.key).join(visits, visits.c.key == copies.c.visit)
    if wanted:
        named = named.where(visits.c.id.in_([one.replace("\x00", "") for one in wanted]))
    with store.reading() as connection:
        # Names first, then the copies in pieces: sorted together, a database would hold all copies in memory at once.
        order = connection.execute(named.order_by(visits.c.id, copies.c.key)).all()
        for begin in range(0, len(order), PIECE):
            piece = order[begin : begin + PIECE]
            query = select(copies.c.key, copies.c.digest, copies.c.body)
            rows = connection.execute(query.where(copies.c.key.in_([key for _, key in piece])))
            bodies = {row.key: row for row in rows}
            yield from (_copy_verified(name, bodies[key]) for name, key in piece if key in bodies)


def _copy_verified(name: str, row: Any) -> Verified:
    """A copy against the digest that it was stored with, and against its own chain."""
    from assistant.records.packing import canonical, digest, unpack

    try:
        events = unpack(row.body)
        fits = digest(canonical(events)) == row.digest
    except (ValueError, TypeError, RecursionError) as error:
        return Verified(name, "store", "unreadable", f"The copy cannot be unpacked ({str(error)[:80]}).")
    found = chain.check(events)
    if not fits:
        return Verified(
            name, "store", "broken", "The copy does not fit the digest that it was stored with.", found.seal
        )
    return Verified(name, "store", found.state, found.words, found.seal)


def _shorter(visits: Path | None, store: Store | None, wanted: frozenset[str]) -> Iterator[Verified]:
    """Journals on disk that lack lines that the store once got: the only way to see a journal cut short at its end."""
    if visits is None or store is None:
        return
    from assistant.records.errors import UnknownVisit
    from assistant.records.packing import canonical
    from assistant.records.queries import visit_copies

    for path in sorted(visits.glob(f"*/{FILE}")):
        name = path.parent.name
        if wanted and name not in wanted:
            continue
        try:
            here = canonical(read(path)[0])
            kept = [canonical(one.events) for one in visit_copies(store, name)]
        except (JournalError, UnknownVisit, ValueError):
            continue  # Said above, or not in the store.
        if any(len(body) > len(here) and body.startswith(here) for body in kept):
            yield Verified(name, "here", "broken", "Lines are missing at its end: the store holds a longer copy.")
