"""Every place of a plan where something can be heard, as a scope."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

from flows.procedure.compile import Plan
from flows.procedure.session import Session
from flows.talk.prompts import scope_for
from grammar.scope import Scope


def places(plan: Plan) -> Iterator[tuple[str, Scope]]:
    """(step, scope) of every step and mode; a scope that was there under another step is left out.

    One extra test is offered too, as if the reasoning had named it: the words are the same for all of them.
    """
    seen: set[Scope] = set()
    extra = [step.ask.probe for step in plan.procedure.steps.values() if step.extra and step.ask]
    plans = [plan, *(replace(plan, next_test=lambda _, probe=one: probe) for one in extra[:1])]  # type: ignore[misc]
    for name, step in plan.procedure.steps.items():
        if step.end:
            continue
        sessions = [Session(name, mode) for mode in ("ask", "confirm", "paused", "memo", "alarm")]
        sessions += [Session(name, "alarm", pending_answer="false_alarm")]
        if step.judge and not step.judge.must_pass:
            sessions += [Session(name, "offer", outcome=outcome) for outcome in ("fail", "close")]
            sessions += [
                Session(name, "offer", outcome="fail", safety=((name, finding),)) for finding in step.judge.danger
            ]
        sessions += [Session(name, "again", pending_answer=key) for key, answer in step.answers.items() if answer.again]
        for tried, session in product(plans, sessions):
            scope = replace(scope_for(tried, session), name="", expected=())
            if scope not in seen:
                seen.add(scope)
                yield name, scope
