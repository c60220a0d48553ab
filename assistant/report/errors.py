"""Errors of reports.

AssistantError
└── ReportError     the report of a visit cannot be made or written
"""

from __future__ import annotations

from assistant.errors import AssistantError


class ReportError(AssistantError):
    """The report of a visit cannot be made or written."""
