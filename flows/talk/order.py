"""Which check comes next when the fault reasoning may choose.

The file's order is kept as long as all that was read is good: it needs the fewest trips of the power. From the first
finding on, the reasoning may put the step that takes the probe it asks for next, within these bounds:

- supply, polarity and ground come first, always;
- nothing is chosen while a danger stands, on the way out, or in the middle of a way that something else asked for;
- of the numbered checks only one that can be read as everything stands now may be put forward;
- an extra test that needs a move, or a trip of the power, waits until every check is done that can be come to
  without a trip of the power.

All numbered checks are still done. Whatever is chosen, `flows.procedure.route` makes the way to it, from where power
and things stand and from nothing else.
"""

from __future__ import annotations

from flows.faults import catalog
from flows.procedure.compile import Pick, Plan, may_enter
from flows.procedure.route import keeps_power
from flows.procedure.schema import Step
from flows.procedure.session import Session


def probes_of(step: Step) -> frozenset[str]:
    """The probes that a step takes: its reading, or what its answers tell. A proof of dead power takes none."""
    read = {step.ask.probe} if step.ask and not step.proves else set[str]()
    return frozenset(read.union(*(answer.evidence for answer in step.answers.values())))


def first_checks(plan: Plan) -> tuple[str, ...]:
    """The steps of supply, polarity and ground, in the order of the file."""
    known = catalog.probes()
    return tuple(
        name
        for name, step in plan.procedure.steps.items()
        if step.check and any(known[one].compulsory for one in probes_of(step) if one in known)
    )


def comes_of_itself(step: Step) -> bool:
    """Whether a step belongs to a numbered check that the file's order comes to, and leads on from there."""
    return bool(step.check and step.next and not step.extra)


def is_open(session: Session, name: str) -> bool:
    """Whether a step was neither done nor skipped."""
    return name not in session.done and name not in session.skipped


def all_pass(plan: Plan, session: Session) -> bool:
    """Whether no verdict and no answer so far was other than on a sound furnace; where a check was taken again, its
    last one counts."""
    failing = [
        answer.evidence
        for step in plan.procedure.steps.values()
        for answer in step.answers.values()
        if answer.outcome == "fail" and answer.evidence
    ]
    seen = dict(session.evidence)
    return all(verdict.outcome == "pass" for _, verdict in session.verdicts) and not any(
        all(seen.get(probe) == said for probe, said in one.items()) for one in failing
    )


def suspected(plan: Plan, session: Session) -> bool:
    """Whether anything so far was not as on a sound furnace: a verdict, an answer, or a fault that was named."""
    return bool(session.named) or not all_pass(plan, session)


def checks_at_hand(plan: Plan, session: Session) -> tuple[str, ...]:
    """The open readings of numbered checks that can be taken as everything stands, and judged with what was read."""
    return tuple(
        name
        for name in _open_checks(plan, session)
        if _judgeable(plan.step(name), session) and may_enter(plan, name, session)
    )


def checks_near(plan: Plan, session: Session) -> tuple[str, ...]:
    """The open readings of numbered checks that no trip of the power lies before, whatever has to be moved."""
    return tuple(name for name in _open_checks(plan, session) if keeps_power(plan.routes, name, session))


def _open_checks(plan: Plan, session: Session) -> list[str]:
    return [
        name
        for name, step in plan.procedure.steps.items()
        if step.check and not step.extra and step.ask and not step.proves and is_open(session, name)
    ]


def _judgeable(step: Step, session: Session) -> bool:
    return step.judge is None or all(session.reading_of(probe) is not None for probe in step.judge.probes.values())


def _extras(plan: Plan, session: Session) -> dict[str, tuple[str, ...]]:
    """probe -> the steps to go through for it, of the extra tests that are open.

    A reading that counts as another one after something was mended goes through the mending first.
    """
    steps, found = plan.procedure.steps, dict[str, tuple[str, ...]]()
    dropped = dict(session.evidence).get("board_proves_flame") is False and session.where("burner") == "lit"
    for name, step in steps.items():
        if not step.extra or not is_open(session, name):
            continue
        for probe in sorted(probes_of(step)):
            # A flame that has dropped out is not looked at.
            if not (dropped and may_enter(plan, name, session) and _needs_flame(probe)):
                found.setdefault(probe, (name,))
        for mended, other in (pair for answer in step.answers.values() for pair in answer.mended.items()):
            again = next((one for one, taking in steps.items() if taking.ask and taking.ask.probe == mended), None)
            if again and again in session.done:
                found.setdefault(other, (name, again))
    return found


def _needs_flame(probe: str) -> bool:
    one = catalog.probes().get(probe)
    return one is not None and one.flame


def admissible(plan: Plan, session: Session, target: str) -> dict[str, tuple[str, ...]]:
    """What may be chosen in place of `target`: probe -> the steps to go through, {} where the order stands."""
    step = plan.step(target)
    if session.safety or session.leaving or session.agenda or step.end or not probes_of(plan.step(session.step)):
        return {}
    if any(is_open(session, name) for name in first_checks(plan)):
        return {}
    checks = checks_at_hand(plan, session)
    found: dict[str, tuple[str, ...]] = {probe: (name,) for name in checks for probe in probes_of(plan.step(name))}
    near = checks_near(plan, session)
    for probe, way in _extras(plan, session).items():
        if not near or (len(way) == 1 and may_enter(plan, way[0], session)):
            found.setdefault(probe, way)
    return found


def first_undone(plan: Plan, session: Session) -> str:
    """The first check that was neither done nor skipped, in the order of the file; the last one when all were."""
    steps = plan.procedure.steps
    checks = [name for name, step in steps.items() if comes_of_itself(step)]
    return next((name for name in checks if is_open(session, name)), checks[-1] if checks else plan.procedure.start)


def probes_to_come(plan: Plan, session: Session) -> frozenset[str]:
    """The probes of the numbered checks that are still open: they come without being chosen."""
    return frozenset().union(
        *(
            probes_of(step)
            for name, step in plan.procedure.steps.items()
            if step.check and not step.extra and is_open(session, name)
        )
    )


def chosen(plan: Plan, session: Session, target: str) -> tuple[tuple[str, ...], Pick | None]:
    """The steps to go to after this one, first first, and what the reasoning chose, None where it is the order's
    own."""
    if plan.choose is None or plan.step(target).end or session.leaving:
        return (target,), None
    to_check = plan.step(target).check and not plan.step(target).extra
    onward = first_undone(plan, session) if to_check else target
    may = admissible(plan, session, onward) if suspected(plan, session) else {}
    pick = plan.choose(session, frozenset(may)) if may else None
    way = may.get(pick.probe, ()) if pick else ()
    if pick is None or not way or way == (onward,):
        return (onward,), None
    return way, pick


def last_check(plan: Plan) -> int:
    """The greatest number of a check: the one that restores."""
    return max((step.check for step in plan.procedure.steps.values() if step.check), default=0)
