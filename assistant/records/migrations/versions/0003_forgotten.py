"""How many visits were forgotten: answers across visits change with it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    table = op.create_table("forgotten", sa.Column("count", sa.BigInteger, nullable=False))
    op.bulk_insert(table, [{"count": 0}])
