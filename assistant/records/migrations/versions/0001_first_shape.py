"""The first shape of the store: visits, their copies, readings and verdicts."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "visits",
        sa.Column("key", KEY, primary_key=True, autoincrement=True),
        sa.Column("id", sa.String(120), nullable=False),
        sa.Column("procedure", sa.String(120)),
        sa.Column("procedure_title", sa.String(200)),
        sa.Column("procedure_version", sa.Integer),
        sa.Column("equipment", sa.String(120)),
        sa.Column("equipment_name", sa.String(200)),
        sa.Column("meter", sa.String(120)),
        sa.Column("meter_name", sa.String(200)),
        sa.Column("language", sa.String(20)),
        sa.Column("engine", sa.String(80)),
        sa.Column("program", sa.String(80)),
        sa.Column("invented", sa.Boolean),
        sa.Column("technician", sa.String(200)),
        sa.Column("site", sa.String(200)),
        sa.Column("started_at", sa.BigInteger),
        sa.Column("ended_at", sa.BigInteger),
        sa.Column("how", sa.String(40)),
        sa.Column("fault", sa.String(200)),
        sa.Column("outcome", sa.String(10)),
        sa.Column("summary", sa.String(1000)),
        sa.Column("events", sa.Integer),
        sa.Column("torn", sa.Boolean),
        sa.Column("copies", sa.SmallInteger),
        sa.Column("shown", KEY),
        sa.UniqueConstraint("id", name="uq_visits_id"),
    )
    op.create_index("ix_visits_started", "visits", ["started_at", "key"])
    op.create_table(
        "copies",
        sa.Column("key", KEY, primary_key=True, autoincrement=True),
        sa.Column("visit", KEY, sa.ForeignKey("visits.key"), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("origin", sa.String(300)),
        sa.Column("imported_at", sa.BigInteger, nullable=False),
        sa.Column("events", sa.Integer, nullable=False),
        sa.Column("torn", sa.Boolean, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint("visit", "digest", name="uq_copies_visit_digest"),
    )
    op.create_table(
        "readings",
        sa.Column("visit", KEY, sa.ForeignKey("visits.key"), primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True),
        sa.Column("at", sa.BigInteger),
        sa.Column("step", sa.String(120)),
        sa.Column("probe", sa.String(120)),
        sa.Column("quantity", sa.String(40)),
        sa.Column("unit", sa.String(40)),
        sa.Column("value", sa.Float),
        sa.Column("low", sa.Float),
        sa.Column("high", sa.Float),
        sa.Column("u", sa.Float),
        sa.Column("over_limit", sa.Boolean),
        sa.Column("counts", sa.Boolean),
        sa.Column("round", sa.SmallInteger),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "verdicts",
        sa.Column("visit", KEY, sa.ForeignKey("visits.key"), primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True),
        sa.Column("at", sa.BigInteger),
        sa.Column("step", sa.String(120)),
        sa.Column("check", sa.String(120)),
        sa.Column("outcome", sa.String(10)),
        sa.Column("finding", sa.String(120)),
        sa.Column("value", sa.Float),
        sa.Column("low", sa.Float),
        sa.Column("high", sa.Float),
        sa.Column("unit", sa.String(40)),
        sa.Column("counts", sa.Boolean),
        sqlite_with_rowid=False,
    )
