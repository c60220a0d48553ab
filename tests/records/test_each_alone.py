"""One odd journal stops no other: at import, in a batch, in a store that is already damaged."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest
from sqlalchemy import update

from assistant.records.errors import StoreError
from assistant.records.importing import Journal, import_events, import_journals, rederive
from assistant.records.queries import counted, visit_copies
from assistant.records.store import Store
from assistant.records.tables import copies, visits
from tests.lab.invented.visits import write_journal

ODD = {
    "measured is a word": lambda events: reading(events).update(measured="low"),
    "confirmed is a list": lambda events: reading(events).update(confirmed=["yes"]),
    "a value past every float": lambda events: reading(events).update(value=10**400),
    "the year 9999": lambda events: events[-1].update(at="9999-12-31T23:59:59+00:00"),
    "no time": lambda events: events[5].update(at=None),
    "half a character": lambda events: events[0].update(site="\ud800"),
    "a kind that is a number": lambda events: events[3].update(kind=7),
    "a name that is a mapping": lambda events: events[0].update(visit={"x": 1}),
    "a version to come": lambda events: events[0].update(v=99),
    "an answer that is a word": lambda events: next(one for one in events if one["kind"] == "heard").update(
        answer="yes"
    ),
    "nothing at all": lambda events: events.clear(),
}


def reading(events: list[dict]) -> dict:
    return next(one for one in events if one["kind"] == "reading")


@pytest.mark.parametrize("spoil", ODD.values(), ids=ODD)
def test_an_odd_journal_is_listed_and_the_others_are_stored(store: Store, simulated: list[Journal], spoil) -> None:
    events = copy.deepcopy(simulated[5].events)
    spoil(events)
    done = import_events(store, [*simulated[:5], Journal(events, False, "the odd one"), *simulated[6:12]])
    assert len(done.new) == 11 == counted(store)
    assert len(done.problems) == 1 and done.problems[0].startswith("the odd one: ")


def test_the_same_from_files(store: Store, simulated: list[Journal], tmp_path: Path) -> None:
    for number, spoil in enumerate(ODD.values()):
        events = copy.deepcopy(simulated[number].events)
        spoil(events)
        place = tmp_path / f"odd-{number}" / "journal.jsonl"
        place.parent.mkdir()
        place.write_text("".join(json.dumps(one) + "\n" for one in events))
    for journal in simulated:
        write_journal(tmp_path, journal.events)
    done = import_journals(store, [tmp_path])
    assert len(done.new) == 40
    assert len(done.problems) == len(ODD)


def test_what_the_database_alone_refuses_is_one_journal_too(store: Store, simulated: list[Journal]) -> None:
    """More retaken readings than a small whole number holds: PostgreSQL refuses the row, SQLite takes it."""
    events = [
        *simulated[0].events[:-1],
        *({"at": simulated[0].events[0]["at"], "kind": "retaken", "step": "supply"} for _ in range(33_000)),
        simulated[0].events[-1],
    ]
    done = import_events(store, [Journal(events, False, "big"), *simulated[1:6]])
    assert len(done.new) + len(done.problems) == 6
    assert set(done.new) >= {one.visit for one in simulated[1:6]}
    assert len(done.problems) == (0 if store.sqlite else 1)


def test_a_damaged_copy_does_not_shut_the_store(store: Store, simulated: list[Journal]) -> None:
    import_events(store, simulated[:4])
    with store.writing() as connection:
        key = connection.execute(visits.select().where(visits.c.id == simulated[0].visit)).one().key
        connection.execute(update(copies).where(copies.c.visit == key).values(body=b"no zlib"))
        connection.execute(update(visits).values(derived=None))
    assert rederive(store) == 3 and rederive(store) == 0
    with pytest.raises(StoreError, match="is damaged"):
        visit_copies(store, simulated[0].visit)
    assert visit_copies(store, simulated[1].visit)[0].events == simulated[1].events
