"""Where the steps lead: what nothing leads to, and what leads to no end. A quick look before the walk."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from flows.schema import Procedure


def arrows(procedure: Procedure) -> dict[str, frozenset[str]]:
    """Every step with the steps that it can lead to of itself: by `next`, or by a test not passed."""
    found = {}
    for name, step in procedure.steps.items():
        ahead = {go.go for go in step.next}
        if step.judge and step.judge.otherwise:
            ahead.add(step.judge.otherwise)
        found[name] = frozenset(ahead)
    return found


def never_reached(procedure: Procedure) -> list[str]:
    """Steps that nothing leads to, in the order of the file. "stop" and a doubt about the power lead on too."""
    starts = {procedure.start, *(go.go for go in procedure.leave)}
    starts |= {procedure.reprove} if procedure.reprove else set()
    reached = _closure(starts, arrows(procedure))
    return [name for name in procedure.steps if name not in reached]


def endless(procedure: Procedure) -> list[str]:
    """Steps from which no end can be reached, in the order of the file."""
    backward: dict[str, set[str]] = {name: set() for name in procedure.steps}
    for name, ahead in arrows(procedure).items():
        for target in ahead:
            backward[target].add(name)
    good = _closure({name for name, step in procedure.steps.items() if step.end}, backward)
    return [name for name in procedure.steps if name not in good]


def _closure(starts: Iterable[str], ahead: Mapping[str, Iterable[str]]) -> set[str]:
    found, todo = set(starts), list(starts)
    while todo:
        for name in ahead[todo.pop()]:
            if name not in found:
                found.add(name)
                todo.append(name)
    return found
