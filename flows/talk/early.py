"""Who is not understood at the start of a visit is told what helps, once, before it is asked again.

Only how often somebody was not understood is kept, no further than the rule counts, and nothing but words follows from
it: no way through a procedure depends on it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

from pydantic import Field

from flows.procedure.compile import Plan
from flows.procedure.session import Effect, Say, Session
from grammar.answers import Unclear
from grammar.datafile import Strict, load_yaml

NOT_UNDERSTOOD = ("nothing", "not_open", "doubtful")
"""Why an answer counts as not understood; other reasons were heard well."""
LINE = "hard_to_hear"
REFUSED = 4
"""So many refused readings are remembered at a step."""


class Early(Strict):
    """The rule; the head of early.yaml explains it."""

    format: Literal[1]
    misses: int = Field(ge=2, le=10)
    answers: int = Field(ge=1, le=100)
    turns: int = Field(ge=1, le=100)
    refused: int = Field(ge=2, le=REFUSED)
    asked_again: dict[str, float]
    told: dict[str, float]
    reason: str = Field(min_length=1)


@lru_cache
def early() -> Early:
    """The rule that ships. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("early.yaml"), Early)


def what_helps(plan: Plan, session: Session, given: Unclear) -> tuple[Session, list[Effect]]:
    """The session with this miss counted, and what helps, where it is the one that the rule waits for."""
    rule = early()
    begun = bool(session.taken) or len(session.done) >= rule.answers
    empty = plan.typed and given.reason == "nothing"
    if begun or empty or given.reason not in NOT_UNDERSTOOD or session.unheard >= rule.misses:
        return session, []
    session = replace(session, unheard=session.unheard + 1)
    if session.unheard < rule.misses:
        return session, []
    return session, [Say(plan.lines.line(LINE), "info", LINE)]


def refused_once_more(plan: Plan, session: Session) -> tuple[Session, list[Effect]]:
    """The session without the reading whose read-back was refused, which weighs in what is heard next; and what helps,
    where it was the one that the rule waits for."""
    if session.pending is None:
        return session, []
    refused = (*session.refused, session.pending.value)
    session = replace(session, pending=None, refused=refused[-REFUSED:])
    told = [Say(plan.lines.line(LINE), "info", LINE)] if len(refused) == early().refused else []
    return session, list(told)
