"""Where the steps lead: what nothing leads to, and what leads to no end. A quick look before the walk."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from flows.errors import FlowError
from flows.procedure.compile import holds
from flows.procedure.route import Routes, bringers, first_step, power_needed, routes_of
from flows.procedure.schema import Procedure, Step
from flows.procedure.session import Session

Arrows = dict[str, frozenset[str]]


def arrows(procedure: Procedure) -> Arrows:
    """Every step with the steps that it can lead to of itself: by `next`, or by a test not passed."""
    found = {}
    for name, step in procedure.steps.items():
        ahead = {go.go for go in step.next}
        if step.judge and step.judge.otherwise:
            ahead.add(step.judge.otherwise)
        found[name] = frozenset(ahead)
    return found


def called(procedure: Procedure) -> Arrows:
    """Every step with the steps that may be gone through for its sake.

    They bring about what it needs, or mend what it finds.
    """
    routes = routes_of(procedure)
    return {name: frozenset([*_bringing(routes, name), *_mending(procedure, name)]) for name in procedure.steps}


def _bringing(routes: Routes, name: str) -> Iterator[str]:
    for thing, places in routes.at[name].items():
        yield from bringers(routes, thing, places, name)
    power = power_needed(routes, name, False)
    if "on" not in power:
        yield from bringers(routes, "power", frozenset({"said_off"}), name)
    # Once a safety check has failed, a hand inside the cabinet waits for the proof as well.
    if power_needed(routes, name, True) == {"dead"}:
        yield from routes.proving.values()
    if power == {"on"}:
        yield from bringers(routes, "power", power, name)


def _mending(procedure: Procedure, name: str) -> Iterator[str]:
    judge = procedure.steps[name].judge
    if judge and not judge.must_pass:
        yield from judge.fix.values()
        if procedure.fix:
            yield procedure.fix


def on_the_way(procedure: Procedure) -> frozenset[tuple[str, str]]:
    """(from, to) of every step that follows another when all goes well, with what is done on the way to a check."""
    routes = routes_of(procedure)
    things = tuple((name, procedure.things[name].begin) for name in procedure.kinds())
    found: set[tuple[str, str]] = set()
    todo = list(_entered(routes, Session(procedure.start, things=things), procedure.start, ()))
    seen = set(todo)
    while todo:
        session = todo.pop()
        for after in _answered(procedure, session):
            target, *rest = session.agenda or _next(procedure, after)
            for entered in _entered(routes, after, target, tuple(rest)):
                found.add((session.step, entered.step))
                if entered not in seen:
                    seen.add(entered)
                    todo.append(entered)
    return frozenset(found)


def _entered(routes: Routes, session: Session, target: str, rest: tuple[str, ...]) -> Iterator[Session]:
    """The step that is spoken now on the way to `target`; none where there is no way, which others tell."""
    try:
        now = first_step(routes, target, session)
    except FlowError:
        return
    agenda = rest if now == target else (target, *rest)
    yield replace(session, step=now, agenda=agenda, answer=None, outcome=None)


def _answered(procedure: Procedure, session: Session) -> Iterator[Session]:
    """The session after each answer to its step; a proof passes, and any other reading may fail too."""
    step = procedure.steps[session.step]
    for name, answer in step.answers.items():
        things = tuple((thing, answer.sets.things.get(thing, place)) for thing, place in session.things)
        after = replace(session, things=things, answer=name, outcome=answer.outcome)
        yield replace(after, power=answer.sets.power, proofs=frozenset()) if answer.sets.power else after
    if step.proves:
        proofs = session.proofs | {step.proves}
        yield replace(session, proofs=proofs, power="dead" if proofs >= {*procedure.dead_proof} else session.power)
    elif step.ask:
        yield from (replace(session, outcome=outcome) for outcome in ("pass", "fail"))


def _next(procedure: Procedure, session: Session) -> list[str]:
    ways = procedure.steps[session.step].next
    return [next(go.go for go in ways if holds(go.when, session))] if ways else [session.step]


def never_reached(procedure: Procedure) -> list[str]:
    """Steps that nothing leads to, in the order of the file.

    No `next`, no need of another step, no fix, no "stop", and no wish of the fault reasoning.
    """
    asked_for = {name for name, step in procedure.steps.items() if step.extra and _tells(step)}
    starts = {procedure.start, *asked_for, *(go.go for go in procedure.leave)}
    ahead, aside = arrows(procedure), called(procedure)
    reached = _closure(starts, {name: ahead[name] | aside[name] for name in ahead})
    return [name for name in procedure.steps if name not in reached]


def _tells(step: Step) -> bool:
    """Whether a step takes something that the fault reasoning may ask for."""
    return step.ask is not None or any(one.evidence or one.mended for one in step.answers.values())


def endless(procedure: Procedure) -> list[str]:
    """Steps from which no end can be reached, in the order of the file.

    What is done for another step leads on to that.
    """
    backward: dict[str, set[str]] = {name: set() for name in procedure.steps}
    for name, ahead in arrows(procedure).items():
        for target in ahead:
            backward[target].add(name)
    for name, aside in called(procedure).items():
        backward[name] |= {one for one in aside if not procedure.steps[one].next}
    good = _closure({name for name, step in procedure.steps.items() if step.end}, backward)
    good |= {name for name, step in procedure.steps.items() if step.extra}
    return [name for name in procedure.steps if name not in good]


def _closure(starts: Iterable[str], ahead: Mapping[str, Iterable[str]]) -> set[str]:
    found, todo = set(starts), list(starts)
    while todo:
        for name in ahead[todo.pop()]:
            if name not in found:
                found.add(name)
                todo.append(name)
    return found
