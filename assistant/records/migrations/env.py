"""Alembic's way in. The connection is given by `assistant.records.store`, already in a transaction."""

from __future__ import annotations

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=context.config.attributes.get("metadata"),
    render_as_batch=True,
)
context.run_migrations()
