"""A real PostgreSQL, started for the tests from Debian's package; stores of both kinds; simulated visits."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from assistant.records.importing import Journal
from assistant.records.store import Store, open_store
from tests.lab.invented.visits import invented_visits
from tests.records.postgres import server


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """URL of the `postgres` database of a running server that only this test run uses."""
    with server() as url:
        yield url


@pytest.fixture
def postgres_url(postgres: str, request: pytest.FixtureRequest) -> Iterator[str]:
    """URL of an empty database of this test alone."""
    admin = create_engine(postgres.replace("postgresql://", "postgresql+psycopg://"), isolation_level="AUTOCOMMIT")
    name = f"t{abs(hash(request.node.nodeid)) % 10**12}"
    with admin.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    yield postgres.rsplit("/", 1)[0] + f"/{name}"
    with admin.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    admin.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of an empty store, once of each kind."""
    return str(tmp_path / "store.sqlite") if request.param == "sqlite" else request.getfixturevalue("postgres_url")


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    with open_store(store_url) as opened:
        yield opened


@pytest.fixture(scope="session")
def simulated() -> list[Journal]:
    """Forty simulated visits."""
    return [Journal(events, False, "simulated") for events in invented_visits(40, seed=11)]
