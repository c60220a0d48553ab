"""A real PostgreSQL, started for the tests from Debian's package; stores of both kinds; simulated visits."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from assistant.records.importing import Journal
from assistant.records.invented import invented_visits
from assistant.records.store import Store, open_store


def _programs() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    on_path = shutil.which("initdb")
    if not found and not on_path:
        pytest.fail("PostgreSQL is needed for these tests: apt-get install postgresql")
    return found[-1].parent if found else Path(str(on_path)).parent


def _as_user() -> list[str]:
    """PostgreSQL refuses to run as root; Debian's package brings a user for it."""
    if os.geteuid() != 0:
        return []
    user = pwd.getpwnam("postgres")
    return ["setpriv", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups"]


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """URL of the `postgres` database of a running server that only this test run uses."""
    programs, prefix = _programs(), _as_user()
    home = Path(subprocess.run([*prefix, "mktemp", "-d", "/tmp/twohands-pg-XXXXXX"], check=True, capture_output=True, text=True).stdout.strip())
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = home / "data"
    subprocess.run([*prefix, str(programs / "initdb"), "-D", str(data), "-U", "tester", "-A", "trust", "-N", "--no-instructions", "-E", "UTF8", "--locale=C.UTF-8"], check=True, capture_output=True, cwd="/")
    options = f"-p {port} -k {home} -c listen_addresses=127.0.0.1 -c fsync=off -c max_connections=40"
    start = [*prefix, str(programs / "pg_ctl"), "-D", str(data), "-w", "-l", str(home / "log"), "-o", options, "start"]
    subprocess.run(start, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/")
    try:
        yield f"postgresql://tester@127.0.0.1:{port}/postgres"
    finally:
        subprocess.run([*prefix, str(programs / "pg_ctl"), "-D", str(data), "-m", "immediate", "-w", "stop"], check=True, stdout=subprocess.DEVNULL, cwd="/")
        subprocess.run([*prefix, "rm", "-rf", str(home)], check=True)


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
