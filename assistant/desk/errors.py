"""Errors of the desk and of sending to it.

AssistantError
├── DeskError     the page cannot be served
├── Refused       a request that the desk will not take; carries the HTTP status
└── SendError     a journal cannot be sent
"""

from __future__ import annotations

from assistant.errors import AssistantError


class DeskError(AssistantError):
    """The page cannot be served."""


class Refused(AssistantError):
    """A request that the desk will not take."""

    def __init__(self, status: int, problem: str, remedy: str = "") -> None:
        self.status = status
        super().__init__(problem, remedy)


class SendError(AssistantError):
    """A journal cannot be sent to the desk."""
