"""Errors of the store of records.

AssistantError
└── StoreError          the store cannot be opened, upgraded, read or written
    ├── Unstorable      the database refuses what was to be written
    ├── UnknownVisit    no visit of that name is in the store
    └── StoreTooNew     the store was written by a later program
"""

from __future__ import annotations

from assistant.errors import AssistantError


class StoreError(AssistantError):
    """The store of records cannot do what was asked."""


class Unstorable(StoreError):
    """The database refuses what was to be written."""


class UnknownVisit(StoreError):
    """No visit of that name is in the store."""


class StoreTooNew(StoreError):
    """The store was made by a later version of the program."""
