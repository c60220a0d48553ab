"""Which step comes next, by way of all that must be done first; what bars the way."""

from __future__ import annotations

from dataclasses import replace

from flows.errors import FlowError
from flows.procedure.compile import Pick, Plan, next_step, way_out
from flows.procedure.route import first_step, power_needed, way_to
from flows.procedure.session import Effect, Moved, Save, Say, Session
from flows.talk.closing import finish
from flows.talk.order import chosen, comes_of_itself, first_undone, last_check
from flows.talk.prompts import ask_again, listen, told_anew


def enter(plan: Plan, session: Session, name: str, rest: tuple[str, ...] = ()) -> Moved:
    """Go to a step, by way of all that must be done first. rest: where to go after it, first first.

    A step whose needs do not hold is never spoken: the visit goes through the steps that bring them about.
    """
    if session.safety and plan.step(name).end:
        # A danger that was found on the way to an end leads to the end that is meant for it.
        name = way_out(plan, session)
    now = first_step(plan.routes, name, session)
    agenda = tuple(one for one in dict.fromkeys(rest if now == name else (name, *rest)) if one != now)
    step = plan.step(now)
    session = replace(
        session,
        step=now,
        agenda=agenda,
        mode="ask",
        pending=None,
        pending_answer=None,
        between=(),
        doubtful=None,
        misses=0,
        wrong=0,
        refused=(),
        weak=(),
        outcome=None,
        answer=None,
    )
    if step.end:
        return finish(plan, session, now)
    said: list[Effect] = told_anew(plan, session)
    session = replace(session, spoken=session.spoken | {now})
    return session, [*said, *listen(plan, session)]


def go_on(plan: Plan, session: Session) -> Moved:
    """To the step that is still to be reached, or to the one that the procedure's guards choose."""
    barred = stopping(plan, session)
    if session.agenda and not (barred and not session.leaving and _beyond(plan, barred, session.agenda[0])):
        return enter(plan, session, session.agenda[0], session.agenda[1:])
    if barred and not session.leaving:
        session = replace(
            session,
            step=barred,
            agenda=(),
            mode="offer",
            outcome="fail",
            pending=None,
            pending_answer=None,
            between=(),
            misses=0,
        )
        return session, ask_again(plan, session)
    # A test that was asked for leads nowhere of itself: the visit goes on with the first check that is still to be
    # done.
    target = next_step(plan, session) if plan.step(session.step).next else first_undone(plan, session)
    (first, *rest), pick = chosen(plan, session, target)
    waiting = _waiting_test(plan, session, target)
    if waiting is None:
        session, more = enter(plan, session, first, tuple(rest))
        return session, [*_told(first, pick), *more]
    return enter(plan, replace(session, tests=tuple(one for one in session.tests if one != waiting)), waiting)


def _told(step: str, pick: Pick | None) -> list[Effect]:
    """Why this step comes now, said and written down; nothing where the order is the file's own."""
    if pick is None:
        return []
    said: list[Effect] = [Say(pick.why, "info", "order")] if pick.why else []
    return [Save("order", {"step": step, "probe": pick.probe, "why": pick.why}), *said]


def reachable(plan: Plan, session: Session, name: str) -> bool:
    """Whether any way leads to a step from where power and things stand."""
    try:
        return way_to(plan.routes, name, session) is not None
    except FlowError:
        return False


def stopping(plan: Plan, session: Session) -> str | None:
    """The step of a danger that stands and lets the visit go on only through a fix."""
    for name, finding in session.safety:
        judge = plan.step(name).judge
        if judge and judge.danger[finding].stops:
            return name
    return None


def _beyond(plan: Plan, barred: str, name: str) -> bool:
    """Whether a step belongs neither to the check that bars the way, nor to what that check draws on, nor to its fix,
    nor to a proof."""
    step, judge = plan.step(name), plan.step(barred).judge
    if step.proves or name in readings_of_check(plan, barred):
        return False
    if step.ask is not None:
        return step.extra or judge is None or step.ask.probe not in judge.probes.values()
    return name not in {plan.procedure.fix, *(judge.fix.values() if judge else ())}


def readings_of_check(plan: Plan, name: str) -> list[str]:
    """The steps whose readings make up the check at step `name`, in their order; an earlier check's readings stand."""
    steps, here = plan.procedure.steps, plan.step(name)
    probes = set(here.judge.probes.values()) if here.judge else set()
    parts = [
        other
        for other, step in steps.items()
        if step.ask and step.ask.probe in probes and step.check == here.check and other != name
    ]
    return [*parts, name]


def _waiting_test(plan: Plan, session: Session, target: str) -> str | None:
    """A test that was asked for and that the power allows now; before the furnace is put back, any."""
    closing = plan.step(target).end is not None or plan.step(target).check == last_check(plan)
    return next(
        (
            one
            for one in session.tests
            if closing or session.power in power_needed(plan.routes, one, bool(session.safety))
        ),
        None,
    )


def to_take_again(plan: Plan, session: Session, name: str) -> list[str]:
    """The steps to go through when the check at step `name` is taken again: its readings, and first those it lacks
    from other checks."""
    own, judge = readings_of_check(plan, name), plan.step(name).judge
    lacking = {probe for probe in judge.probes.values() if session.reading_of(probe) is None} if judge else set()
    return [
        one for one, step in plan.procedure.steps.items() if step.ask and step.ask.probe in lacking and one not in own
    ] + own


def and_then(session: Session, first: str, *more: str) -> tuple[str, ...]:
    """What comes after `first`: `more`, and what the visit was on its way to."""
    return (*more, *(one for one in session.agenda if one not in (first, *more)))


def skip(plan: Plan, session: Session) -> Moved:
    """Leave a check out, on the record. Where something cannot be moved, all checks that need it moved are left out."""
    left = _barred(plan, session) if plan.step(session.step).answers else [session.step]
    effects: list[Effect] = [Save("skipped", {"step": name, "why": "asked for"}) for name in left]
    effects.append(Say(plan.lines.line("skipped"), "info", "skipped"))
    skipped = tuple(dict.fromkeys((*session.skipped, *left)))
    agenda = () if plan.step(session.step).answers else session.agenda
    session = replace(session, skipped=skipped, agenda=agenda, outcome=None, answer=None)
    session, more = go_on(plan, session)
    return session, [*effects, *more]


def _barred(plan: Plan, session: Session) -> list[str]:
    """The checks still open that need something where only the answers of this step bring it."""
    steps, moves = plan.procedure.steps, [one.sets.things for one in plan.step(session.step).answers.values()]
    wanted = [
        (thing, place)
        for one in moves
        for thing, place in one.items()
        if plan.routes.bringers[thing, place] == (session.step,)
    ]
    return [
        name
        for name, step in steps.items()
        if comes_of_itself(step) and name not in session.done
        and any(plan.routes.at[name].get(thing) == frozenset({place}) for thing, place in wanted)
    ]  # fmt: skip
