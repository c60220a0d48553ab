"""How much is told: three levels, and the words of a step at each of them.

To a learner everything is said, every time. At the other levels a phrase is taught once a visit, a quantity is asked
for by name once, and a step that comes again has its short sentences; the full caution on a danger is said once a
visit, at every level. Nothing here changes what is asked twice: `flows.talk.accepting` says which readings need no
question of their own.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from flows.procedure.compile import Plan
from flows.procedure.schema import Caution, Step
from flows.procedure.session import Level, Session
from flows.procedure.spoken.teaching import asks_for, bare_prompt, pieces, teaching
from grammar.datafile import Strict, load_yaml

ORDER: tuple[Level, ...] = ("learner", "usual", "brief")
"""From everything to little."""


class Telling(Strict):
    """What one level does; the head of levels.yaml explains it."""

    joined: bool
    short_steps: bool
    short_pass: bool
    minutes: Annotated[float, Field(gt=0)]


class Levels(Strict):
    """All levels by name."""

    format: Literal[1]
    levels: dict[Level, Telling]


@lru_cache
def levels() -> dict[Level, Telling]:
    """Level -> what it does. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("levels.yaml"), Levels).levels


def telling(session: Session) -> Telling:
    """What is done at the level of a visit."""
    return levels()[session.level]


def moved(level: Level, by: int) -> Level:
    """The level that lies so many below (1) or above (-1), the last one at the end."""
    return ORDER[min(max(ORDER.index(level) + by, 0), len(ORDER) - 1)]


def caution_of(plan: Plan, session: Session, caution: Caution) -> str:
    """The caution of the step: in full once a visit for each danger, short after it."""
    if session.level == "learner" or caution.kind is None:
        return caution.short if session.step in session.spoken else caution.full
    fullest = next(
        name for name, step in plan.procedure.steps.items() if step.caution and step.caution.kind == caution.kind
    )
    return caution.short if {fullest, session.step} & session.spoken else caution.full


def lines_of(plan: Plan, session: Session) -> list[tuple[str, str]]:
    """(line, text) of what a step says at the level of the visit."""
    step, name = plan.step(session.step), session.step
    whole = [(f"{name}/say/{number}", text) for number, text in enumerate(step.say)]
    if session.level == "learner" or step.end:
        return whole
    if step.short and (telling(session).short_steps or name in session.spoken or _known(session, step)):
        return [
            *((f"{name}/short/{number}", text) for number, text in enumerate(step.short)),
            *_kept(plan, session, [(line, teaching(step, text, plan.language)) for line, text in whole]),
        ]
    return _kept(plan, session, whole) or whole[-1:]


def again_words(plan: Plan, session: Session, text: str) -> str:
    """A second asking without the phrase to say, where that was told before."""
    if session.level == "learner":
        return text
    return "".join(_open(text, plan, session)).strip() or text


def _kept(plan: Plan, session: Session, lines: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """The lines without what is known already: a phrase that was taught, a quantity that was asked for before, or
    either of them in a visit before where little is wanted."""
    step = plan.step(session.step)
    before = plan.knows and session.level == "brief"
    ask, known, found = step.ask, before or _known(session, step), []
    for line, text in lines:
        left = [
            one for one in _open(text, plan, session) if not (known and ask and asks_for(one, ask.unit, plan.language))
        ]
        if kept := "".join(left).strip():
            found.append((line, kept))
    return found


def _known(session: Session, step: Step) -> bool:
    """Whether the quantity that a step asks for was read before in this visit."""
    return step.ask is not None and any(one.reading.quantity == step.ask.quantity for one in session.taken)


def _open(text: str, plan: Plan, session: Session) -> list[str]:
    """The sentences of a text but those that only teach phrases which are known: taught in this visit, or in one
    before where little is wanted."""
    known = plan.knows and session.level == "brief"
    said = ((one, bare_prompt(one, plan.language)) for one in pieces(text))
    return [one for one, phrases in said if not phrases or not (known or phrases <= session.taught)]
