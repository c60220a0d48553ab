"""Opens the store: a SQLite file by default, PostgreSQL by URL. Upgrades it on the way.

with open_store() as store: ...
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import platformdirs
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import (
    ArgumentError,
    DataError,
    DBAPIError,
    IntegrityError,
    InterfaceError,
    NoSuchModuleError,
    OperationalError,
    StatementError,
)

from assistant import private
from assistant.records.errors import StoreError, StoreTooNew, Unstorable

MIGRATIONS = Path(__file__).parent / "migrations"
BUSY_SECONDS = 60
UPGRADE_LOCK = 7_402_216_001
"""Key of the PostgreSQL advisory lock that lets one program upgrade at a time; any number not used elsewhere."""


def default_url() -> str:
    """The SQLite file in the user's data folder, as a URL."""
    return f"sqlite:///{platformdirs.user_data_path('twohands') / 'records.sqlite'}"


@dataclass(frozen=True)
class Store:
    """An open store of the current shape. engine: SQLAlchemy."""

    engine: Engine

    @property
    def sqlite(self) -> bool:
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the store. Raises StoreError."""
        with _plainly(self.engine), self.engine.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that is kept whole or not at all. Raises StoreError."""
        with (
            _plainly(self.engine),
            self.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            yield connection

    def close(self) -> None:
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_store(url: str | None = None) -> Store:
    """Open the store at `url` (or the default file), making and upgrading it as needed.

    url: any SQLAlchemy URL of SQLite or PostgreSQL, or a plain path to a SQLite file.
    Raises StoreError when it cannot be reached, StoreTooNew when a later program made it.
    """
    target = _target(url or default_url())
    if target.drivername.startswith("sqlite") and target.database not in (None, "", ":memory:"):
        try:
            _make_private(Path(target.database))
        except OSError as error:
            raise StoreError(
                f"The folder for the store cannot be made: {error.strerror}.", "Choose another place with --store."
            ) from error
    store = Store(_engine(target))
    upgrade(store)
    return store


def revision(connection: Connection) -> str | None:
    """The shape the store is in: a migration's number, or None for an empty store."""
    return MigrationContext.configure(connection).get_current_revision()


def upgrade(store: Store, target: str = "head") -> None:
    """Bring the store to the shape `target`; two programs at once do it one after the other."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.set_main_option("path_separator", "os")
    scripts = ScriptDirectory.from_config(config)
    known = {one.revision for one in scripts.walk_revisions()}
    with store.reading() as connection:
        now = revision(connection)
    if now is not None and now not in known:
        raise StoreTooNew(
            f"The store has the shape '{now}', which this version does not know.",
            "Update twohands on this machine, then open the store again.",
        )
    if now == scripts.get_current_head():
        return
    with store.writing() as connection:
        if not store.sqlite:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": UPGRADE_LOCK})
        config.attributes["connection"] = connection
        command.upgrade(config, target)


def _target(url: str) -> URL:
    if "://" not in url:
        url = f"sqlite:///{url}"
    try:
        target = make_url(url)
    except (ArgumentError, ValueError) as error:
        raise StoreError(
            "The address of the store cannot be read.", "Give a path, or a URL such as postgresql://user@host/name."
        ) from error
    if target.drivername in ("postgresql", "postgres"):
        target = target.set(drivername="postgresql+psycopg")
    if target.get_backend_name() not in ("sqlite", "postgresql"):
        raise StoreError(
            f"A store of the kind '{target.drivername}' is not known.", "Use a SQLite file or a postgresql:// URL."
        )
    return target


def _make_private(file: Path) -> None:
    """A new store is its owner's alone, as are the files that SQLite lays beside it. Raises OSError."""
    private.make_folder(file.parent)
    if file == platformdirs.user_data_path("twohands") / "records.sqlite":
        private.tighten(file)
    if not file.exists():
        os.close(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, private.FILE))
        private.sync_folder(file.parent)


def _engine(target: URL) -> Engine:
    try:
        if target.get_backend_name() != "sqlite":
            return create_engine(target, pool_pre_ping=True)
        engine = create_engine(target, connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False})
    except (ArgumentError, NoSuchModuleError) as error:
        raise StoreError(
            "The address of the store cannot be used.", "Give a path, or a URL such as postgresql://user@host/name."
        ) from error
    event.listen(engine, "connect", _sqlite_settings)
    event.listen(engine, "begin", _sqlite_begin)
    return engine


def _sqlite_settings(connection: object, _record: object) -> None:
    """Write-ahead log: readers and one writer do not wait for each other; what was stored stays after a lost battery.
    We say BEGIN ourselves."""
    connection.isolation_level = None  # type: ignore[attr-defined]
    cursor = connection.cursor()  # type: ignore[attr-defined]
    for line in (
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        "secure_delete=ON",
        "cache_size=-65536",
        "temp_store=MEMORY",
        "mmap_size=268435456",
    ):
        cursor.execute(f"PRAGMA {line}")
    cursor.close()


def _sqlite_begin(connection: Connection) -> None:
    """A writer takes the write lock at once: taking it later could fail half way."""
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get("writes") else "BEGIN")


@contextmanager
def _plainly(engine: Engine) -> Iterator[None]:
    try:
        yield
    except OperationalError as error:
        reason = str(error.orig).strip().splitlines()[0] if error.orig else "no reason given"
        raise StoreError(
            f"The store at {engine.url.render_as_string(hide_password=True)} cannot be used: {reason}.",
            "Check the address, that the database runs, and that the disk has room.",
        ) from error
    except (DataError, IntegrityError, InterfaceError) as error:
        raise Unstorable(
            f"The store refused: {str(error.orig).strip().splitlines()[0][:200]}.", "See what the journal holds."
        ) from error
    except DBAPIError as error:
        reason = str(error.orig).strip().splitlines()[0]
        raise StoreError(
            f"The store refused: {reason}.", "If this is a store of twohands, please report it with this line."
        ) from error
    except (StatementError, OverflowError, UnicodeEncodeError) as error:
        # What the driver itself cannot hand over: whole numbers past 64 bits, half characters.
        reason = str(getattr(error, "orig", None) or error).strip().splitlines()[0][:200]
        raise Unstorable(f"The store cannot hold this: {reason}.", "See what the journal holds.") from error
