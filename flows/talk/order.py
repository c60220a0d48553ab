"""Which check comes next when the fault reasoning may choose: the step that takes the probe it asks for.

The numbered checks are all still done; only their order changes, and extra tests are put between where they tell most.
"""

from __future__ import annotations

from flows.procedure.compile import Plan
from flows.procedure.session import Session


def taking_probe(plan: Plan, session: Session, probe: str) -> tuple[str, ...]:
    """The steps to go through to take `probe`, () where no step takes it or it was taken.

    A reading that counts as another one after something was mended goes through the mending first.
    """
    for name, step in plan.procedure.steps.items():
        if name in session.done:
            continue
        if step.ask and step.ask.probe == probe and not step.proves:
            return (name,)
        if any(probe in answer.evidence for answer in step.answers.values()):
            return (name,)
        mended = next((one for answer in step.answers.values() for one, other in answer.mended.items() if other == probe), None)
        again = next((one for one, other in plan.procedure.steps.items() if other.ask and other.ask.probe == mended), None)
        if again and again in session.done:
            return name, again
    return ()


def probes_open(plan: Plan, session: Session) -> frozenset[str]:
    """Every probe that some step could still take."""
    named = {step.ask.probe for step in plan.procedure.steps.values() if step.ask and not step.proves}
    named |= {probe for step in plan.procedure.steps.values() for answer in step.answers.values() for probe in (*answer.evidence, *answer.mended.values())}
    return frozenset(probe for probe in named if taking_probe(plan, session, probe))


def first_undone(plan: Plan, session: Session) -> str:
    """The first check that was neither done nor skipped, in the order of the file; the last one when all were."""
    steps = plan.procedure.steps
    checks = [name for name, step in steps.items() if step.check and step.next and not step.extra]
    return next((name for name in checks if name not in session.done and name not in session.skipped), checks[-1] if checks else plan.procedure.start)


def chosen(plan: Plan, session: Session, target: str) -> tuple[str, ...]:
    """The steps to go to after this one: what the reasoning asks for, else the next check."""
    if plan.choose is None or session.leaving or plan.step(target).end or plan.step(target).check == last_check(plan):
        return (target,)
    probe = plan.choose(session, probes_open(plan, session))
    return (taking_probe(plan, session, probe) if probe else ()) or (first_undone(plan, session),)


def last_check(plan: Plan) -> int:
    """The greatest number of a check: the one that restores."""
    return max((step.check for step in plan.procedure.steps.values() if step.check), default=0)
