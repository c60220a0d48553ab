"""Where the steps lead: what nothing leads to, and what leads to no end. A quick look before the walk.

A step that moves something or proves something needs no `next`: the visit
goes through it where another step needs what it brings about.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from flows.route import routes_of
from flows.schema import Procedure


def arrows(procedure: Procedure) -> dict[str, frozenset[str]]:
    """Every step with the steps that it can lead to of itself: by `next`, by a test not passed, by a fix."""
    found = {}
    for name, step in procedure.steps.items():
        ahead = {go.go for go in step.next}
        if step.judge:
            ahead |= {step.judge.otherwise} if step.judge.otherwise else set()
            ahead |= {*step.judge.fix.values()} | ({procedure.fix} if procedure.fix else set())
        found[name] = frozenset(ahead)
    return found


def never_reached(procedure: Procedure) -> list[str]:
    """Steps that nothing leads to, in the order of the file. "stop", a test that is asked for and what a step needs lead on too."""
    starts = {procedure.start, *(go.go for go in procedure.leave)}
    starts |= {name for name, step in procedure.steps.items() if step.extra and step.ask}
    needed = _needed(procedure)
    ahead = {name: found | needed[name] for name, found in arrows(procedure).items()}
    reached = _closure(starts, ahead)
    return [name for name in procedure.steps if name not in reached]


def _needed(procedure: Procedure) -> dict[str, frozenset[str]]:
    """Every step with those that may bring about what it needs: a thing, the power, a proof of dead."""
    routes = routes_of(procedure)
    found = {}
    for name, step in procedure.steps.items():
        wanted = {(thing, place) for thing, places in routes.at[name].items() for place in places}
        wanted |= {"on": {("power", "on")}, "any": set()}.get(step.power, {("power", "said_off")})
        bringing = {one for need in wanted for one in routes.bringers.get(need, ())}
        # Once a safety check has failed, a hand inside the cabinet waits for the proof as well.
        proven = step.power == "dead" or (step.power == "off" and name in routes.touching)
        found[name] = frozenset(bringing | ({*routes.proving.values()} if proven else set()))
    return found


def endless(procedure: Procedure) -> list[str]:
    """Steps from which no end can be reached, in the order of the file. One without `next` goes on to where it was needed."""
    backward: dict[str, set[str]] = {name: set() for name in procedure.steps}
    for name, ahead in arrows(procedure).items():
        for target in ahead:
            backward[target].add(name)
    good = _closure({name for name, step in procedure.steps.items() if step.end or not step.next}, backward)
    return [name for name in procedure.steps if name not in good]


def _closure(starts: Iterable[str], ahead: Mapping[str, Iterable[str]]) -> set[str]:
    found, todo = set(starts), list(starts)
    while todo:
        for name in ahead[todo.pop()]:
            if name not in found:
                found.add(name)
                todo.append(name)
    return found
