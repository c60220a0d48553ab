"""Every sentence that a procedure speaks, with where it stands in its file and its numbers filled in."""

from __future__ import annotations

import string
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from flows.judge.verdict import CALCULATIONS
from flows.procedure.compile import Plan
from flows.procedure.schema import Judge, Step
from flows.procedure.wording import fill

SAMPLE: Mapping[str, float] = {
    "ac_volts": 84.7,
    "dc_volts": 7.4,
    "ohms": 0.8,
    "dc_amps": 4.1e-6,
    "ac_amps": 4.2,
    "hertz": 60.0,
}
"""What stands for a number that only a visit can bring (SI)."""

FIRST = ("caution", "say")
"""Roles spoken on the first entry of a step; leads, why, verdict, danger and answer are spoken later, if at all."""


@dataclass(frozen=True)
class SpokenLine:
    """One sentence. role: "caution", "say", "caution again", "leads", "why", "verdict", "danger" or "answer". where:
    keys and indices into the YAML file."""

    step: str
    role: str
    text: str
    where: tuple[Any, ...]


def lines_of(plan: Plan) -> list[SpokenLine]:
    """All sentences of the plan's procedure, in the order of its file."""
    return [line for name, step in plan.procedure.steps.items() for line in _step_lines(plan, name, step)]


def _step_lines(plan: Plan, name: str, step: Step) -> Iterator[SpokenLine]:
    here = ("steps", name)
    if step.caution:
        yield SpokenLine(name, "caution", step.caution.full, (*here, "caution", "full"))
        yield SpokenLine(name, "caution again", step.caution.short, (*here, "caution", "short"))
    for number, text in enumerate(step.say):
        yield SpokenLine(name, "say", text, (*here, "say", number))
    for role, told in (("leads", step.leads), ("why", step.why)):
        if told:
            yield SpokenLine(name, role, told, (*here, role))
    for key, answer in step.answers.items():
        if answer.again:
            yield SpokenLine(name, "answer", answer.again.say, (*here, "answers", key, "again", "say"))
        if answer.say:
            yield SpokenLine(name, "answer", answer.say, (*here, "answers", key, "say"))
    if step.judge and step.ask:
        numbers = _numbers(plan, step.judge, step.ask.quantity)
        for key, text in step.judge.say.items():
            yield SpokenLine(
                name, "verdict", fill(text, numbers, step.ask.quantity, plan.language), (*here, "judge", "say", key)
            )
        for key, danger in step.judge.danger.items():
            yield SpokenLine(name, "danger", danger.say, (*here, "judge", "danger", key, "say"))


def _numbers(plan: Plan, judge: Judge, quantity: str) -> dict[str, float]:
    """A value for every number that the lines of a calculation may name: the limit's own, else a sample."""
    limits = {role: plan.limits[key].value for role, key in judge.limits.items()}
    return {name: limits.get(name, SAMPLE[quantity]) for name in CALCULATIONS[judge.check].numbers}


def limits_not_given(plan: Plan) -> Iterator[tuple[str, str, tuple[Any, ...]]]:
    """(step, limit, where) of every line that would speak an optional limit which its step does not give."""
    for name, step in plan.procedure.steps.items():
        if not step.judge:
            continue
        absent = set(CALCULATIONS[step.judge.check].optional) - step.judge.limits.keys()
        for key, text in step.judge.say.items():
            for field in sorted({one for _, one, _, _ in string.Formatter().parse(text) if one} & absent):
                yield name, field, ("steps", name, "judge", "say", key)
