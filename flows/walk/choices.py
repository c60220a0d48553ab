"""What the walk tries of the fault reasoning: a fault that it names, and every step that it could put forward."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from flows.judge.measured import Measured
from flows.procedure.compile import Pick, Plan
from flows.procedure.schema import Ask
from flows.procedure.session import Input, Session, Taken
from flows.reason.assess import Assessment
from flows.talk.order import first_checks, probes_of
from grammar.answers import Choice, Reading

PASS = 1.0
"""The value that stands for a reading that passes."""
Key = tuple[object, ...]
Tried = tuple[Plan, Session, Input]
NAMED = Assessment((("a fault", 1.0),), None, "", "", (), (), named="a fault")
"""What the reasoning says when it names a fault, whichever."""


def reasoned(plan: Plan, session: Session, placed: set[Key] | None) -> Iterator[Tried]:
    """A reading after which the reasoning names a fault; with `placed`, one after which it asks for any step at all
    next.

    `flows.talk.order` decides what the reasoning may ask for by what was done, which no state of the walk holds. So
    each choice is tried with as few checks done as can be and with all of them: between them they let in whatever
    any visit lets in, for the fewer are done, the more of them may be put forward, and the fewer extra tests. It is
    tried besides with each of the first checks missing, when nothing may be let in.
    Afterwards any check may be the first that is still open, so each is tried to go on with. The way to a step is
    made from where power and things stand, what is proven and whether a danger stands, and from nothing else
    (`flows.procedure.route`); so every pair of such a place and a step to go to is walked once, and where that leads
    is walked in turn.
    """
    if session.mode != "confirm" or not probes_of(plan.step(session.step)):
        return
    passed = replace(session, pending=session.pending and replace(session.pending, value=PASS))
    if session.pending is not None:
        yield replace(plan, assess=lambda _: NAMED), passed, Choice("yes", "")
    if placed is None or session.agenda or session.leaving or session.tests:
        return
    checks = frozenset(name for name, step in plan.procedure.steps.items() if step.check and not step.extra)
    place = (session.power, session.proofs, session.things, bool(session.safety), session.pending_answer)
    whole = replace(passed, taken=_all_taken(plan), evidence=(), skipped=(), named=("a fault",))
    first = frozenset(first_checks(plan))
    if place not in placed:
        placed.add(place)
        for probe in sorted(_every_probe(plan)):
            asking = replace(plan, choose=lambda _, __, probe=probe: Pick(probe))  # type: ignore[misc]
            for done in (first, checks, *(some - {one} for one in first for some in (first, checks))):
                yield asking, replace(whole, done=done), Choice("yes", "")
        silent = replace(plan, choose=lambda _, __: None)
        for name in sorted(checks):
            if plan.step(name).next:
                yield silent, replace(whole, done=checks - {name}), Choice("yes", "")


def _every_probe(plan: Plan) -> frozenset[str]:
    """All that the reasoning could ask for, with what counts as another reading once something was mended."""
    steps = plan.procedure.steps.values()
    mended = {probe for step in steps for answer in step.answers.values() for probe in answer.mended.values()}
    return frozenset(mended).union(*(probes_of(step) for step in steps))


def _all_taken(plan: Plan) -> tuple[Taken, ...]:
    """Every reading once, so that each check could be judged."""
    return tuple(taken_plainly(name, step.ask) for name, step in plan.procedure.steps.items() if step.ask)


def taken_plainly(name: str, ask: Ask) -> Taken:
    """A reading of 1 as a step has taken it."""
    value = Measured(1.0, 0.1, 0.8, 1.2, ask.quantity)
    return Taken(name, ask.probe, plain_reading(ask.quantity, ask.unit), value, ask.probe)


def plain_reading(quantity: str, unit: str) -> Reading:
    """A reading of 1 in a unit."""
    return Reading(1.0, 1.0, 1.0, 0.1, quantity, unit, True, False, "", "1")
