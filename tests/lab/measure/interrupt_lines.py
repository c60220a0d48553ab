"""Everything that the program says, in turns as it says them, with what it listens for after each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from assistant.visit.plans import ready_plan
from flows.procedure.compile import Plan, beginning
from flows.procedure.session import Listen, Say, Session
from flows.talk.dialogue import advance
from flows.talk.prompts import ask_again
from grammar.answers import Command, Heard, Reading, Unclear
from grammar.parse import understand

PROCEDURES = ("flame_sensing", "control_circuit_24v", "igniter_check")
MEANT = ("help", "why", "leads", "repeat", "slower", "pause", "note", "stop", "gas", "readings")


@dataclass(frozen=True)
class Said:
    """One turn: what is said, and what can be answered."""

    says: tuple[Say, ...]
    listen: Listen


def plans() -> list[Plan]:
    """The shipped procedures."""
    return [ready_plan(name, "larkspur", "dunlin") for name in PROCEDURES]


def turns(plan: Plan, rng: np.random.Generator) -> Iterator[Said]:
    """Every step's own lines, its read-backs of random readings, its second askings, and what the dialogue answers to
    every command and to what it does not understand."""
    for name, step in plan.procedure.steps.items():
        if step.end:
            continue
        session = replace(beginning(plan), step=name)
        yield from _said(ask_again(plan, session))
        for given in (*(Command(one, one) for one in MEANT), Unclear("nothing", ""), Unclear("not_open", "x")):
            yield from _said(advance(plan, session, given)[1])
        if step.ask is not None:
            for reading in readings(plan, session, rng, 4):
                yield from _said(advance(plan, session, reading)[1])
                confirming = replace(session, mode="confirm", pending=reading)
                yield from _said(ask_again(plan, confirming))
                yield from _said(advance(plan, confirming, understand(Heard("yes"), _scope(plan, confirming)))[1])
        for answer, one in step.answers.items():
            yield from _said(ask_again(plan, replace(session, mode="confirm", pending_answer=answer)))
            if one.again:
                yield from _said(ask_again(plan, replace(session, mode="again", pending_answer=answer)))
        yield from _said(ask_again(plan, replace(session, mode="offer", outcome="fail")))


def readings(plan: Plan, session: Session, rng: np.random.Generator, count: int) -> list[Reading]:
    """Random readings that the display could show at a step."""
    ask = plan.step(session.step).ask
    scope = _scope(plan, session)
    found: list[Reading] = []
    top = {"ac_volts": 260.0, "dc_volts": 30.0, "ohms": 9.0}.get(ask.quantity, 9.0) if ask else 0.0
    for _ in range(40):
        answer = understand(Heard(f"{rng.uniform(0, top):.{ask.decimals if ask else 0}f}", engine="typed"), scope)
        if isinstance(answer, Reading):
            found.append(answer)
        if len(found) == count:
            break
    return found


def _scope(plan: Plan, session: Session):
    return next(one.scope for one in ask_again(plan, session) if isinstance(one, Listen))


def _said(effects) -> Iterator[Said]:
    says = tuple(one for one in effects if isinstance(one, Say))
    listen = next((one for one in effects if isinstance(one, Listen)), None)
    if says and listen is not None:
        yield Said(says, listen)
