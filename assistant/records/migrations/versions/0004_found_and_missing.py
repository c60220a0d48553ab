"""What a visit found or mended on the way, which danger stands, and which checks were not done.

New columns are left empty here; the store fills them from the journals it
keeps, since a visit whose `derived` is empty or old is derived anew.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    kinds: dict[str, sa.types.TypeEngine[Any]] = {
        "found": sa.String(200),
        "concluded": sa.Boolean(),
        "mended": sa.SmallInteger(),
        "danger": sa.String(300),
        "not_done": sa.String(500),
    }
    for name, kind in kinds.items():
        op.add_column("visits", sa.Column(name, kind))
    op.drop_index("ix_visits_faults", "visits")
    op.drop_index("ix_visits_site", "visits")
    op.create_index("ix_visits_found", "visits", ["concluded", "equipment", "found", "month"])
    op.create_index("ix_visits_site", "visits", ["site", "started_at", "found"])
