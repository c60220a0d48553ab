"""A store of the first shape, kept as a file, comes up to date without loss."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import select

from assistant.records.derive import DERIVED
from assistant.records.importing import Journal, import_events, rederive
from assistant.records.queries import visit_copies
from assistant.records.store import Store, open_store, revision
from assistant.records.tables import metadata, readings, visits
from tests.lab.invented.visits import invented_visits

OLD = Path(__file__).parent / "old_stores" / "shape_0001.sqlite"


def rows(path: Path, table: str) -> list[dict[str, Any]]:
    with sqlite3.connect(path) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute(f"SELECT * FROM {table} ORDER BY 1")]


@pytest.fixture
def upgraded(tmp_path: Path) -> Path:
    path = tmp_path / "old.sqlite"
    shutil.copy(OLD, path)
    with open_store(str(path)) as store:
        rederive(store)
    return path


def test_the_old_file_is_of_the_first_shape() -> None:
    assert [row["version_num"] for row in rows(OLD, "alembic_version")] == ["0001"]
    assert len(rows(OLD, "visits")) == 6
    assert len(rows(OLD, "copies")) == 7


@pytest.mark.parametrize("table", ["visits", "copies", "readings", "verdicts"])
def test_every_old_value_is_still_there(upgraded: Path, table: str) -> None:
    old, new = rows(OLD, table), rows(upgraded, table)
    assert old
    assert [{name: row[name] for name in before} for before, row in zip(old, new, strict=True)] == old


def test_new_columns_are_filled_from_the_journals(upgraded: Path, tmp_path: Path) -> None:
    with open_store(str(upgraded)) as store:
        journals = [Journal(visit_copies(store, row["id"])[0].events, False, "") for row in rows(OLD, "visits")]
        with open_store(str(tmp_path / "fresh.sqlite")) as fresh:
            import_events(fresh, journals)
            assert _derived(store) == _derived(fresh)
            assert rederive(store) == 0


def _derived(store: Store) -> list[tuple]:
    columns = [one for one in visits.c if one.name not in ("key", "shown", "copies")]
    with store.reading() as connection:
        one = connection.execute(select(*columns).order_by(visits.c.id)).all()
        two = connection.execute(select(readings).order_by(readings.c.visit, readings.c.seq)).all()
    assert {row.derived for row in one} == {DERIVED}
    return [*map(tuple, one), *map(tuple, two)]


def test_an_upgraded_store_goes_on_importing(upgraded: Path) -> None:
    with open_store(str(upgraded)) as store:
        old = [Journal(events, False, "") for events in invented_visits(6, seed=21)]
        again = import_events(
            store, [Journal(visit_copies(store, row["id"])[0].events, False, "") for row in rows(OLD, "visits")]
        )
        assert len(again.same) == 6
        assert (
            len(import_events(store, [Journal(events, False, "") for events in invented_visits(5, seed=22)]).new) == 5
        )
        assert old[0].visit == rows(OLD, "visits")[0]["id"]


def test_migrations_give_just_the_tables_that_the_program_uses(store: Store) -> None:
    with store.reading() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
        assert revision(connection) == "0005"
