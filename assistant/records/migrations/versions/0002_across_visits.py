"""Columns and indexes for charts across visits.

New columns are left empty here; the store fills them from the journals it
keeps, since a visit whose `derived` is empty or old is derived anew.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    added: dict[str, type[sa.types.TypeEngine[Any]]] = {
        "month": sa.Integer,
        "seconds": sa.Integer,
        "readings": sa.SmallInteger,
        "corrections": sa.SmallInteger,
        "unclear": sa.SmallInteger,
        "retaken": sa.SmallInteger,
        "skipped": sa.SmallInteger,
        "close": sa.SmallInteger,
        "board": sa.Boolean,
        "derived": sa.SmallInteger,
    }
    for name, column in added.items():
        op.add_column("visits", sa.Column(name, column))
    kinds: dict[str, sa.types.TypeEngine[Any]] = {
        "month": sa.Integer(),
        "equipment": sa.String(120),
        "site": sa.String(200),
    }
    for name, kind in kinds.items():
        op.add_column("readings", sa.Column(name, kind))
    op.create_index("ix_visits_faults", "visits", ["how", "equipment", "fault", "month"])
    op.create_index("ix_visits_site", "visits", ["site", "started_at", "fault"])
    op.create_index(
        "ix_visits_progress",
        "visits",
        ["technician", "month", "started_at", "seconds", "readings", "corrections", "unclear", "retaken"],
    )
    op.create_index("ix_visits_board", "visits", ["board", "started_at"])
    op.create_index("ix_readings_family", "readings", ["probe", "equipment", "month", "value"])
    op.create_index("ix_readings_site", "readings", ["probe", "site", "at", "value"])
