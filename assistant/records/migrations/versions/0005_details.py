"""Whose work a visit was and on which furnace, as far as it was given.

New columns are left empty here; the store fills them from the journals it
keeps, since a visit whose `derived` is old is derived anew.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
NAMES = ("furnace_model", "furnace_serial", "control_model", "control_serial", "company", "licence")


def upgrade() -> None:
    for name in NAMES:
        op.add_column("visits", sa.Column(name, sa.String(80)))
