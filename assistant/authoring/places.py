"""Every place of a plan where something can be heard, as a scope."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from flows.compile import Plan
from flows.prompts import scope_for
from flows.session import Session
from grammar.scope import Scope


def places(plan: Plan) -> Iterator[tuple[str, Scope]]:
    """(step, scope) of every step and mode; a scope that was there under another step is left out."""
    seen: set[Scope] = set()
    for name, step in plan.procedure.steps.items():
        if step.end:
            continue
        sessions = [Session(name, mode) for mode in ("ask", "confirm", "paused", "memo", "alarm")]
        sessions += [Session(name, "offer", outcome=outcome) for outcome in ("fail", "close")]
        sessions += [Session(name, "again", pending_answer=key) for key, answer in step.answers.items() if answer.again]
        for session in sessions:
            scope = replace(scope_for(plan, session), name="", expected=())
            if scope not in seen:
                seen.add(scope)
                yield name, scope
