"""Every text that a procedure speaks, with its place in the file and what can be said where it is spoken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

from flows.procedure.schema import Procedure, Step
from flows.procedure.wording import answer_option, spoken_lines
from grammar.language import language
from grammar.scope import Asked, Option, Scope

Role = Literal["title", "caution", "say", "short", "leads", "why", "again", "answer", "verdict", "danger"]


@dataclass(frozen=True)
class Line:
    """One text. where: keys and indices into the YAML file. open: what can be said when it has been spoken.

    answer: the answer that it belongs to, for "again" and "answer".
    """

    role: Role
    text: str
    where: tuple[Any, ...]
    open: Scope
    answer: str = ""


def lines_of_step(procedure: Procedure, name: str) -> Iterator[Line]:
    """All texts of a step, in the order of the file."""
    step, here = procedure.steps[name], ("steps", name)
    asked = _asked(procedure.language, name, step)
    judged = replace(asked, options=(*asked.options, *_offers(procedure.language)))
    after = Scope(name, commands=asked.commands, language=procedure.language)
    yield Line("title", step.title, (*here, "title"), after)
    if step.caution:
        yield Line("caution", step.caution.full, (*here, "caution", "full"), asked)
        yield Line("caution", step.caution.short, (*here, "caution", "short"), asked)
    for number, text in enumerate(step.say):
        yield Line("say", text, (*here, "say", number), asked)
    for number, text in enumerate(step.short):
        yield Line("short", text, (*here, "short", number), asked)
    if step.leads:
        yield Line("leads", step.leads, (*here, "leads"), asked)
    if step.why:
        yield Line("why", step.why, (*here, "why"), asked)
    for key, answer in step.answers.items():
        there = (*here, "answers", key)
        if answer.again:
            options = (Option(key, tuple(answer.again.phrases)), language(procedure.language).option("no"))
            yield Line("again", answer.again.say, (*there, "again", "say"), replace(after, options=options), key)
        if answer.say:
            yield Line("answer", answer.say, (*there, "say"), after, key)
    if step.judge:
        for finding, text in step.judge.say.items():
            yield Line("verdict", text, (*here, "judge", "say", finding), judged)
        for finding, danger in step.judge.danger.items():
            yield Line("danger", danger.say, (*here, "judge", "danger", finding), judged)


def _asked(key: str, name: str, step: Step) -> Scope:
    """What is open when a step has been spoken: its answers or its reading, and the commands."""
    words = language(key)
    if step.end:
        return Scope(name, language=key)
    options = tuple(answer_option(id, one, key) for id, one in step.answers.items())
    if step.may_skip:
        options += (spoken_lines(key).option("skip"),)
    asked = None
    if step.ask:
        one = step.ask
        asked = Asked(one.quantity, one.unit, one.low, one.high, one.decimals, one.signed, one.over_limit)
    return Scope(name, asked, options, words.always_open, language=key)


def _offers(key: str) -> tuple[Option, ...]:
    """What may be answered after a verdict that is no pass."""
    lines = spoken_lines(key)
    return tuple(lines.option(name) for name in ("carry_on", "take_again", "fix_now", "take_test"))
