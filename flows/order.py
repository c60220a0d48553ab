"""Which check comes next when the fault reasoning may choose: the step that takes the probe it asks for.

The numbered checks are all still done; only their order changes, and extra tests are put between where they tell most.
"""

from __future__ import annotations

from flows.compile import Plan
from flows.session import Session


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


def first_undone(plan: Plan, session: Session, target: str) -> str:
    """The first check before the last one that was not done, in the order of the file; `target` when there is none."""
    steps = plan.procedure.steps
    last = max((step.check for step in steps.values() if step.check), default=0)
    undone = (name for name, step in steps.items() if step.check and step.check < last and step.next and not step.extra and name not in (*session.done, *session.skipped))
    return next(undone, target)


def chosen(plan: Plan, session: Session, target: str) -> tuple[str, ...]:
    """The steps to go to after this one, first first: what the reasoning asks for, then the checks in their order."""
    if plan.choose is None or session.leaving or plan.step(target).end:
        return (target,)
    rest = first_undone(plan, session, target)
    probe = plan.choose(session, probes_open(plan, session))
    wanted = taking_probe(plan, session, probe) if probe else ()
    # A step that leads on by itself comes back to the order of the file when it is done.
    return (*wanted, *(() if wanted and plan.step(wanted[-1]).next else (rest,))) if wanted else (rest,)
