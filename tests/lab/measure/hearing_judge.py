"""Right, asked again, or wrong: what became of each case, and what the read-back catches."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from assistant.hearing.weigh.policy import weigh
from flows.talk.misses import heard_before
from grammar.answers import Answer, Choice, Command, Heard, Reading, Unclear
from grammar.scope import Scope
from tests.lab.measure import hearing_scopes
from tests.lab.measure.hearing_cases import Case
from tests.lab.measure.hearing_run import Result

Outcome = Literal["right", "asked", "wrong"]
Weigh = Callable[[Heard, Scope], Answer]

NOTICES = 0.99
"""How often the simulated technician notices a wrong read-back."""


@dataclass(frozen=True)
class Judged:
    """One case. answer: the first that was no silence, or None. delay: end of speech to the final result, s, or None
    where it was not timed.

    text: the words heard in all.
    """

    case: Case
    outcome: Outcome
    answer: Answer | None
    heard: Heard | None
    text: str
    delay: float | None
    factor: float
    said: str


def judge(case: Case, result: Result, weigh: Weigh = weigh) -> Judged:
    """The first ending that is not empty decides, as it would in a visit."""
    scope = hearing_scopes.scopes()[case.scope]
    answer: Answer | None = None
    heard: Heard | None = None
    delay = None
    for ending in result.endings:
        told = weigh(ending.heard, scope)
        if isinstance(told, Unclear) and told.reason == "nothing":
            continue
        answer, heard = told, ending.heard
        # only a timed case ran as a visit does
        delay = None if math.isnan(result.cpu) else ending.at - result.ends + ending.wait
        break
    text = " ".join(ending.heard.text for ending in result.endings if ending.heard.text)
    return Judged(case, outcome(case, answer), answer, heard, text, delay, result.cpu / result.sound, result.said)


def judge_again(case: Case, first: Judged, result: Result, weigh: Weigh = weigh) -> Judged:
    """What becomes of a case that was asked again, once it is said again: what is heard twice in doubt is taken too,
    as in a visit."""
    second = judge(case, result, weigh)
    doubted, heard = first.answer, second.answer
    if not (isinstance(heard, Unclear) and heard.reading is not None and isinstance(doubted, Unclear)):
        return second
    if not heard_before(heard.reading, (doubted.reading, *doubted.between)):
        return second
    return replace(second, answer=heard.reading, outcome=outcome(case, heard.reading))


def outcome(case: Case, answer: Answer | None) -> Outcome:
    """A teen or ten that the dialogue asks digit by digit counts as asked again when it is wrong."""
    if answer is None or isinstance(answer, Unclear):
        return "right" if case.kind == "outside" else "asked"
    if matches(case, answer):
        return "right"
    if isinstance(answer, Reading) and answer.sounds_like is not None and case.kind != "outside":
        return "asked"
    return "wrong"


def matches(case: Case, answer: Answer) -> bool:
    """Whether the answer is what was meant."""
    if case.kind == "reading":
        return (
            isinstance(answer, Reading)
            and answer.low == answer.high
            and math.isclose(answer.value, float(case.truth or 0), rel_tol=1e-9, abs_tol=1e-12)
        )
    return case.kind == "words" and isinstance(answer, Choice | Command) and answer.id == case.truth


def believes(result: Result, weigh: Weigh = weigh) -> str:
    """What a reply to a read-back was taken for: "yes", "no" or "asked"."""
    scope = hearing_scopes.scopes()["readback"]
    for ending in result.endings:
        told = weigh(ending.heard, scope)
        if isinstance(told, Unclear) and told.reason == "nothing":
            continue
        if isinstance(told, Choice) and told.id == "yes":
            return "yes"
        # a number, "no" or "change that" all take the reading back; anything else is asked again
        return "no" if isinstance(told, Reading | Choice | Command) else "asked"
    return "asked"


def slips(yes: str, no: str) -> float:
    """Chance that a wrong reading stands after its read-back: unnoticed and its "yes" heard, or its "no" heard as
    "yes"."""
    return (1 - NOTICES) * (yes == "yes") + NOTICES * (no == "yes")
