"""What can go wrong while a procedure is written.

AssistantError
└── AuthoringError      a name, a file or a picture that cannot be made
"""

from __future__ import annotations

from assistant.errors import AssistantError


class AuthoringError(AssistantError):
    """Nothing was written; the remedy says what to change."""
