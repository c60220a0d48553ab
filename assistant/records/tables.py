"""The tables of the store, as they are after the last migration.

Times are whole milliseconds since 1970 (UTC), so that SQLite and PostgreSQL
order them alike; a month is year * 12 + month - 1. Values are SI.

visits      one row a visit: what lists and charts need, taken from the copy that is shown
copies      every differing journal of a visit, whole and compressed; more than one is a conflict
readings    confirmed readings of the copy that is shown
verdicts    verdicts of the copy that is shown
forgotten   one row: how many visits were forgotten, so that answers kept in memory are made anew
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
    UniqueConstraint,
)
from sqlalchemy.types import TypeEngine

from assistant.visit.details import NAMES

Key: TypeEngine = BigInteger().with_variant(Integer, "sqlite")

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_N_label)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

visits = Table(
    "visits",
    metadata,
    Column("key", Key, primary_key=True, autoincrement=True),
    Column("id", String(120), nullable=False, unique=True),
    Column("procedure", String(120)),
    Column("procedure_title", String(200)),
    Column("procedure_version", Integer),
    Column("equipment", String(120)),
    Column("equipment_name", String(200)),
    Column("meter", String(120)),
    Column("meter_name", String(200)),
    Column("language", String(20)),
    Column("engine", String(80)),
    Column("program", String(80)),
    Column("invented", Boolean),
    Column("technician", String(200)),
    Column("site", String(200)),
    Column("started_at", BigInteger),
    Column("ended_at", BigInteger),
    Column("how", String(40)),
    Column("fault", String(200)),
    Column("outcome", String(10)),
    Column("summary", String(1000)),
    Column("events", Integer),
    Column("torn", Boolean),
    Column("copies", SmallInteger),
    Column("shown", Key),
    # since 0002: for charts across visits
    Column("month", Integer),
    Column("seconds", Integer),
    Column("readings", SmallInteger),
    Column("corrections", SmallInteger),
    Column("unclear", SmallInteger),
    Column("retaken", SmallInteger),
    Column("skipped", SmallInteger),
    Column("close", SmallInteger),
    Column("board", Boolean),
    Column("derived", SmallInteger),
    # since 0004: what was found and mended, what stands as a danger, what was not done
    Column("found", String(200)),
    Column("concluded", Boolean),
    Column("mended", SmallInteger),
    Column("danger", String(300)),
    Column("not_done", String(500)),
    # since 0005: whose work it was and on which furnace
    *(Column(name, String(80)) for name in NAMES),
    Index("ix_visits_started", "started_at", "key"),
    Index("ix_visits_found", "concluded", "equipment", "found", "month"),
    Index("ix_visits_site", "site", "started_at", "found"),
    Index(
        "ix_visits_progress",
        "technician",
        "month",
        "started_at",
        "seconds",
        "readings",
        "corrections",
        "unclear",
        "retaken",
    ),
    Index("ix_visits_board", "board", "started_at"),
)

copies = Table(
    "copies",
    metadata,
    Column("key", Key, primary_key=True, autoincrement=True),
    Column("visit", Key, ForeignKey("visits.key"), nullable=False),
    Column("digest", String(64), nullable=False),
    Column("origin", String(300)),
    Column("imported_at", BigInteger, nullable=False),
    Column("events", Integer, nullable=False),
    Column("torn", Boolean, nullable=False),
    Column("body", LargeBinary, nullable=False),
    UniqueConstraint("visit", "digest"),
)

readings = Table(
    "readings",
    metadata,
    Column("visit", Key, ForeignKey("visits.key"), primary_key=True),
    Column("seq", Integer, primary_key=True),
    Column("at", BigInteger),
    Column("step", String(120)),
    Column("probe", String(120)),
    Column("quantity", String(40)),
    Column("unit", String(40)),
    Column("value", Float),
    Column("low", Float),
    Column("high", Float),
    Column("u", Float),
    Column("over_limit", Boolean),
    Column("counts", Boolean),
    Column("round", SmallInteger),
    # since 0002: for drift with time, by family and by furnace
    Column("month", Integer),
    Column("equipment", String(120)),
    Column("site", String(200)),
    Index("ix_readings_family", "probe", "equipment", "month", "value"),
    Index("ix_readings_site", "probe", "site", "at", "value"),
    sqlite_with_rowid=False,
)

# since 0003
forgotten = Table("forgotten", metadata, Column("count", BigInteger, nullable=False))

verdicts = Table(
    "verdicts",
    metadata,
    Column("visit", Key, ForeignKey("visits.key"), primary_key=True),
    Column("seq", Integer, primary_key=True),
    Column("at", BigInteger),
    Column("step", String(120)),
    Column("check", String(120)),
    Column("outcome", String(10)),
    Column("finding", String(120)),
    Column("value", Float),
    Column("low", Float),
    Column("high", Float),
    Column("unit", String(40)),
    Column("counts", Boolean),
    sqlite_with_rowid=False,
)
