"""What was not said to its end because the technician spoke."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flows.procedure.session import Cut, Say, Session

NEVER_CUT = ("caution", "alarm")
"""Roles of sentences that an answer has to wait for."""


def unsaid(session: Session, cut: Cut) -> Session:
    """A caution that was cut short was not given: it comes in full when its step is spoken again."""
    steps = {line.removesuffix("/caution") for line in cut.lines if line.endswith("/caution")}
    return replace(session, spoken=session.spoken - steps)


def owed(said: Sequence[Say], cut: Sequence[str], coming: Sequence[str]) -> list[Say]:
    """Warnings that were cut short and must be said before anything else. coming: lines that are said next anyway."""
    return [one for one in said if one.role == "alarm" and one.line in cut and one.line not in coming]
