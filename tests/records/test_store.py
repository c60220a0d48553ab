"""Import, conflicts, several importers at once: on SQLite and on a real PostgreSQL."""

from __future__ import annotations

import copy
import json
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from assistant.records import across
from assistant.records.errors import StoreError, StoreTooNew, UnknownVisit
from assistant.records.importing import Journal, import_events, import_journals
from assistant.records.queries import Wanted, counted, difference, listed, resolve, visit_copies
from assistant.records.store import Store, open_store
from assistant.records.tables import readings, visits
from tests.lab.invented.visits import invented_visits, write_journal


def everything(store: Store) -> tuple[list[dict], list[dict]]:
    """All visits and readings, without what may differ from run to run."""
    with store.reading() as connection:
        rows = [dict(row) for row in connection.execute(select(visits).order_by(visits.c.id)).mappings()]
        ids = {row["key"]: row["id"] for row in rows}
        taken = [dict(row) for row in connection.execute(select(readings)).mappings()]
    for row in rows:
        del row["key"], row["shown"]
    return rows, sorted(
        ({**row, "visit": ids[row["visit"]]} for row in taken), key=lambda row: (row["visit"], row["seq"])
    )


def edited(journal: Journal, value: float) -> Journal:
    """The same visit with its first reading changed."""
    events = copy.deepcopy(journal.events)
    reading = next(one for one in events if one["kind"] == "reading")
    reading["value"] = reading["measured"]["value"] = value
    return Journal(events, False, "another machine")


def test_importing_twice_changes_nothing(store: Store, simulated: list[Journal]) -> None:
    first = import_events(store, simulated)
    before = everything(store)
    second = import_events(store, simulated)
    assert (len(first.new), len(second.new), len(second.same)) == (40, 0, 40)
    assert everything(store) == before


def test_both_kinds_of_store_hold_the_same(tmp_path: Path, postgres_url: str, simulated: list[Journal]) -> None:
    found = []
    for url in (str(tmp_path / "one.sqlite"), postgres_url):
        with open_store(url) as store:
            import_events(store, simulated)
            found.append(everything(store))
    assert found[0] == found[1]


def test_from_folders_of_two_machines_one_row(store: Store, tmp_path: Path, simulated: list[Journal]) -> None:
    for machine in ("van", "office"):
        for journal in simulated[:5]:
            write_journal(tmp_path / machine, journal.events)
    van, office = (import_journals(store, [tmp_path / machine]) for machine in ("van", "office"))
    assert (len(van.new), len(office.same), counted(store)) == (5, 5, 5)
    assert not van.problems + office.problems
    assert visit_copies(store, simulated[0].visit)[0].events == simulated[0].events


def test_a_longer_journal_takes_the_place_of_its_beginning(store: Store, simulated: list[Journal]) -> None:
    whole = simulated[0]
    part = Journal(whole.events[:30], True, "live")
    assert import_events(store, [part]).new == [whole.visit]
    assert import_events(store, [whole]).grown == [whole.visit]
    assert import_events(store, [part]).same == [whole.visit]
    only = visit_copies(store, whole.visit)
    assert [one.events for one in only] == [whole.events]
    assert not listed(store)[0]["torn"]


def test_conflicting_edits_are_both_kept_and_shown(store: Store, simulated: list[Journal]) -> None:
    mine, theirs = simulated[1], edited(simulated[1], 133.7)
    import_events(store, [mine])
    done = import_events(store, [theirs])
    assert done.conflicts == [mine.visit]
    assert counted(store) == 1
    assert [row["copies"] for row in listed(store, Wanted(conflict=True))] == [2]
    found = visit_copies(store, mine.visit)
    assert {one.origin for one in found} == {"simulated", "another machine"}
    part = difference(found[0], found[1])
    assert {part.one["value"], part.other["value"]} == {
        next(one for one in mine.events if one["kind"] == "reading")["value"],
        133.7,
    }


def test_which_copy_is_shown_does_not_depend_on_the_order(tmp_path: Path, simulated: list[Journal]) -> None:
    versions = [simulated[2], edited(simulated[2], 100.0), edited(simulated[2], 101.0)]
    shown = set()
    for number, order in enumerate(permutations(versions)):
        with open_store(str(tmp_path / f"{number}.sqlite")) as store:
            for one in order:
                import_events(store, [one])
            found = visit_copies(store, simulated[2].visit)
            shown.add(found[0].digest)
            assert [one.shown for one in found] == [True, False, False]
    assert len(shown) == 1


def test_a_reading_taken_back_does_not_count(store: Store) -> None:
    events = next(one for one in invented_visits(200, seed=3) if any(event["kind"] == "retaken" for event in one))
    import_events(store, [Journal(events, False, "")])
    again = [event["step"] for event in events if event["kind"] == "retaken"]
    with store.reading() as connection:
        rows = connection.execute(
            select(readings.c.step, readings.c.counts).where(readings.c.step.in_(again)).order_by(readings.c.seq)
        ).all()
    assert again
    for step in again:
        assert [row.counts for row in rows if row.step == step] == [False, True]


IMPORTER = """
import json, sys, time
from pathlib import Path
from typing import Any
from assistant.records.importing import Journal, import_events
from assistant.records.store import open_store
url, file, go = sys.argv[1:]
journals = [Journal(events, False, file) for events in json.loads(Path(file).read_text())]
Path(file + ".ready").touch()
while not Path(go).exists():
    time.sleep(0.002)
with open_store(url) as store:
    import_events(store, journals)
"""


def test_importers_at_once_on_an_empty_store(store_url: str, tmp_path: Path, simulated: list[Journal]) -> None:
    """Four programs make the tables, import the same visits in different orders, one with an edit, at the same
    moment."""
    edit = edited(simulated[7], 99.9)
    orders = [simulated, simulated[::-1], [*simulated[20:], *simulated[:20]], [edit, *simulated[8:], *simulated[:7]]]
    workers = []
    for number, order in enumerate(orders):
        file = tmp_path / f"{number}.json"
        file.write_text(json.dumps([one.events for one in order]))
        workers.append(subprocess.Popen([sys.executable, "-c", IMPORTER, store_url, str(file), str(tmp_path / "go")]))
    deadline = time.monotonic() + 120
    while len(list(tmp_path.glob("*.ready"))) < len(workers):
        assert time.monotonic() < deadline
        time.sleep(0.01)
    (tmp_path / "go").touch()
    assert [worker.wait(120) for worker in workers] == [0, 0, 0, 0]
    with open_store(store_url) as store:
        assert counted(store) == 40
        assert {row["id"] for row in listed(store, Wanted(conflict=True))} == {simulated[7].visit}
        assert len(visit_copies(store, simulated[7].visit)) == 2
        got = everything(store)
    with open_store(str(tmp_path / "alone.sqlite")) as alone:
        import_events(alone, [*simulated, edit])
        assert everything(alone) == got


def test_filters_and_pages(store: Store, simulated: list[Journal]) -> None:
    import_events(store, simulated)
    whole = listed(store, limit=None)
    assert [row["started_at"] for row in whole] == sorted((row["started_at"] for row in whole), reverse=True)
    pages, after = [], None
    while page := listed(store, limit=7, after=after):
        pages += page
        after = (page[-1]["started_at"], page[-1]["id"])
    assert pages == whole
    for wanted, keep in (
        (Wanted(equipment="yarrow"), lambda row: row["equipment"] == "yarrow"),
        (Wanted(fault="none"), lambda row: row["found"] is None),
        (Wanted(fault="rod_coated"), lambda row: row["found"] == "rod_coated"),
        (Wanted(danger=True), lambda row: row["danger"] is not None),
        (Wanted(outcome="open"), lambda row: row["outcome"] == "open"),
        (
            Wanted(outcome="fail", technician="Ada Quill"),
            lambda row: row["outcome"] == "fail" and row["technician"] == "Ada Quill",
        ),
        (
            Wanted(since=whole[10]["started_at"], until=whole[3]["started_at"]),
            lambda row: whole[10]["started_at"] <= row["started_at"] < whole[3]["started_at"],
        ),
        (Wanted(text="ROW"), lambda row: "row" in f"{row['site']} {row['summary']} {row['technician']}".lower()),
        (Wanted(text="100%"), lambda row: False),
    ):
        expected = [row for row in whole if keep(row)]
        assert listed(store, wanted, limit=None) == expected
        assert counted(store, wanted) == len(expected)


def test_names_are_found_by_their_beginning(store: Store, simulated: list[Journal]) -> None:
    with pytest.raises(UnknownVisit, match="holds no visit"):
        resolve(store, "last")
    import_events(store, simulated)
    newest = max(simulated, key=lambda one: one.events[0]["at"]).visit
    assert resolve(store, "last") == newest == resolve(store, newest[:-1])
    with pytest.raises(UnknownVisit, match="no visit 'x%'"):
        resolve(store, "x%")
    with pytest.raises(StoreError, match="More than one visit"):
        resolve(store, "20")


def test_visits_without_a_place_are_not_one_place(store: Store, simulated: list[Journal]) -> None:
    """`twohands run` writes an empty site when none is given; boards must not be compared across such visits."""
    for number, journal in enumerate(simulated[:6]):
        events = copy.deepcopy(journal.events)
        events[0] |= {"site": "", "technician": "", "visit": f"nowhere-{number}"}
        import_events(
            store,
            [
                Journal(
                    [
                        *events[:-1],
                        {**events[-1], "how": "finished", "fault": "board_not_sensing" if number % 2 else "rod_coated"},
                    ],
                    False,
                    "",
                )
            ],
        )
    assert across.boards(store)["outcome"] == {"wrong": 0, "again": 0, "quiet": 0, "no visit": 3}
    assert across.drift(store, "flame_current")["furnaces"] == 0
    assert across.progress(store) == []


def test_hostile_names_are_kept_as_text(store: Store, simulated: list[Journal]) -> None:
    events = copy.deepcopy(simulated[3].events)
    events[0] |= {"technician": "Robert'); DROP TABLE visits;--", "site": "\x00nul and the rest"}
    import_events(store, [Journal(events, False, "")])
    assert [row["technician"] for row in listed(store, Wanted(technician="Robert'); DROP TABLE visits;--"))] == [
        events[0]["technician"]
    ]
    assert visit_copies(store, simulated[3].visit)[0].events == events
    assert listed(store)[0]["site"] == "nul and the rest"


def test_infinite_readings_stay_over_limit(store: Store, simulated: list[Journal]) -> None:
    events = copy.deepcopy(simulated[4].events)
    reading = next(one for one in events if one["kind"] == "reading")
    reading |= {"value": float("inf"), "over_limit": True}
    import_events(store, [Journal(events, False, "")])
    assert import_events(store, [Journal(events, False, "")]).same == [simulated[4].visit]
    kept = next(one for one in visit_copies(store, simulated[4].visit)[0].events if one["kind"] == "reading")
    assert kept["value"] == "over limit"


def test_a_store_from_a_later_program_is_refused(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "new.sqlite")) as store, store.writing() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreTooNew, match=r"Update twohands"):
        open_store(str(tmp_path / "new.sqlite"))


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("mysql://somewhere/db", "is not known"),
        ("postgresql://nobody@127.0.0.1:9/none", "cannot be used"),
        ("postgresql://x:notaport/", "cannot be read"),
    ],
)
def test_an_address_that_cannot_be_used_is_said_plainly(url: str, words: str) -> None:
    with pytest.raises(StoreError, match=words) as caught:
        open_store(url)
    assert caught.value.remedy


def test_a_later_page_costs_no_more_than_the_first(tmp_path: Path, simulated: list[Journal]) -> None:
    """Steps of the database, on two thousand visits of which some began at the same moment."""
    first, *rest = simulated[0].events
    start = datetime(2026, 3, 2, tzinfo=UTC)
    journals = [
        Journal(
            [{**first, "visit": f"v{n:04}", "at": (start + timedelta(minutes=n // 3)).isoformat()}, *rest[:3]],
            False,
            "",
        )
        for n in range(2000)
    ]
    steps = [0]
    with open_store(str(tmp_path / "many.sqlite")) as store:
        import_events(store, journals)

        def page(after: tuple[int, str] | None) -> tuple[list[dict[str, Any]], int]:
            steps[0] = 0
            rows = listed(store, limit=50, after=after)
            return rows, steps[0]

        def count() -> int:
            steps[0] += 1
            return 0

        raw = store.engine.raw_connection()
        raw.driver_connection.set_progress_handler(count, 10)
        raw.close()
        rows, most = page(None)
        assert most > 10
        seen, later = [row["id"] for row in rows], []
        while rows:
            rows, took = page((rows[-1]["started_at"], rows[-1]["id"]))
            seen += [row["id"] for row in rows]
            later.append(took)
        assert seen == sorted((f"v{n:04}" for n in range(2000)), reverse=True)
        assert max(later) < 2 * most
