"""One exercise from its first word to the line in the trainee's record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from assistant.cli import version
from assistant.hearing.weigh.policy import weigh
from assistant.knowledge_store import knowledge
from assistant.practice.closing import closing
from assistant.practice.guided import GuidedFurnace, without_names
from assistant.practice.phrases import phrases, probing_scope
from assistant.practice.probing import Probing, advance, begin, opening
from assistant.practice.shared_grammar import SharedGrammars
from assistant.visit.journal import Clock, Journal, utc_now
from assistant.visit.loop import Ears, Mouth, Talk, Understand
from assistant.visit.plans import ready_plan, words_of
from assistant.visit.screen import Screen
from assistant.visit.visit import Visit
from assistant.visit.visit import opening as first_line
from flows.faults import catalog
from flows.judge.profiles import equipment as load_equipment
from flows.judge.profiles import meter as load_meter
from flows.practice.drawn import choices, start
from flows.practice.furnace import PracticeFurnace
from flows.procedure.session import Effect, Level, Say
from flows.talk.dialogue import begin as begin_visit
from grammar.answers import Answer
from grammar.emit import vocabulary

PROCEDURE = "flame_sensing"
Print = Callable[[str], None]
DISPLAYS, SCORING = 1, 2
"""Streams of chance drawn from one seed besides the furnace's own."""


@dataclass(frozen=True)
class Exercise:
    """What an exercise is begun with."""

    trainee: str
    level: str
    seed: int
    furnace: PracticeFurnace
    open_faults: tuple[str, ...]
    typed: bool
    clock: Clock = utc_now
    understand: Understand = weigh
    wait: Callable[[], None] = lambda: None
    talk: Level = "learner"
    grammars: Any = field(default_factory=SharedGrammars)

    @classmethod
    def make(
        cls,
        trainee: str,
        level: str,
        fault: str | None,
        seed: int,
        equipment: str,
        meter: str,
        typed: bool,
        clock: Clock = utc_now,
        understand: Understand = weigh,
        wait: Callable[[], None] = lambda: None,
        talk: Level = "learner",
    ) -> Exercise:
        """Draw the furnace. talk: how much the dialogue tells beside it. wait: before a lost device is tried again.
        Raises FlowError for an unknown level, fault or profile."""
        furnace = start(load_equipment(equipment), load_meter(meter), seed, level, fault)
        # A fault that was chosen may lie outside the level; then every fault may be the answer.
        open_faults = tuple(choices(level) if fault is None else catalog.faults().faults)
        return cls(trainee, level, seed, furnace, open_faults, typed, clock, understand, wait, talk)

    @property
    def language(self) -> str:
        return phrases().language

    def chance(self, stream: int) -> np.random.Generator:
        """A stream of chance of its own for each purpose."""
        return np.random.default_rng([self.seed, stream])

    def words(self) -> frozenset[str]:
        """All that can be said, for the choice of a recogniser; nothing where it is typed."""
        if self.typed:
            return frozenset()
        plan = ready_plan(PROCEDURE, self.furnace.equipment.id, self.furnace.meter.meter.id)
        asked = {
            word
            for ways in (phrases().sees, phrases().actions["show"])
            for text in ways.phrases
            for word in text.split()
        }
        return words_of(plan) | vocabulary(probing_scope(self.open_faults, False)) | asked


@dataclass(frozen=True)
class Ended:
    """session: the line for the record. said: to be told after it is kept. code: the exit status."""

    session: dict[str, Any]
    said: tuple[Say, ...]
    lessons: tuple[str, ...]
    code: int
    out: Print

    def tell(self, mouth: Mouth) -> None:
        """Print and speak the end."""
        screen = Screen(self.out)
        for say in self.said:
            screen.said(say)
            mouth.say(say.text)
        for lesson in self.lessons[1:]:
            self.out(f"    also   {lesson}")
        mouth.speak()


def free_exercise(exercise: Exercise, ears: Ears, mouth: Mouth, out: Print) -> Ended:
    """Probe freely, then name the fault. Raises AssistantError."""
    began = exercise.clock()
    if exercise.typed:
        _card(exercise, out)
    how, state = _talk(
        exercise,
        Probing(exercise.furnace, exercise.open_faults, exercise.typed),
        exercise.chance(DISPLAYS),
        ears,
        mouth,
        out,
    )
    return _ended(exercise, began, state, how, out)


def guided_exercise(
    exercise: Exercise, ears: Ears, mouth: Mouth, about: dict[str, str], visits: Path, out: Print
) -> Ended:
    """The ordinary dialogue on the simulated furnace, then name the fault. Raises AssistantError."""
    began = exercise.clock()
    p = exercise.furnace
    plan = without_names(
        ready_plan(PROCEDURE, p.equipment.id, p.meter.meter.id, typed=exercise.typed, level=exercise.talk)
    )
    folder = _folder(visits, began)
    journal = Journal(folder, exercise.clock)
    screen = Screen(out, ears=not exercise.typed)
    chance = exercise.chance(DISPLAYS)
    guided = GuidedFurnace(
        plan,
        phrases().guided[PROCEDURE],
        p,
        chance,
        ears,
        mouth,
        exercise.understand,
        [screen],
        journal.write,
        exercise.typed,
    )
    out(f"Record: {folder}")
    how = "interrupted"
    try:
        journal.write(
            "visit",
            first_line(
                plan,
                visit=folder.name,
                **about,
                program=f"twohands {version()}",
                invented=True,
                technician=exercise.trainee,
                site="practice furnace",
            ),
        )
        intro = Say(f"{opening(Probing(p, (), exercise.typed))} {phrases().line('begin_guided')}")
        journal.write("said", {"line": "practice/begin", "text": intro.text, "role": intro.role})
        screen.said(intro)
        mouth.say(intro.text)
        how = (
            Visit(plan, guided, mouth, journal, [screen, guided], exercise.understand, exercise.wait)
            .run(*begin_visit(plan))
            .how
        )
    except KeyboardInterrupt:
        out("")
    finally:
        if how == "interrupted":
            journal.write("interrupted", {"why": "the exercise was broken off"})
        journal.close()
    state = Probing(guided.furnace, exercise.open_faults, exercise.typed, place="answer")
    if how == "gas":
        screen.said(Say(phrases().line("gas_ends"), "alarm"))
        mouth.say(phrases().line("gas_ends"))
        mouth.speak()
    elif how != "interrupted":
        how, state = _talk(exercise, state, chance, ears, mouth, out)
    return _ended(exercise, began, state, how, out, guided, folder)


def _talk(
    exercise: Exercise, state: Probing, chance: np.random.Generator, ears: Ears, mouth: Mouth, out: Print
) -> tuple[str, Probing]:
    """Talk until it ends; how it ended and where it stood."""
    screen = Screen(out, ears=not exercise.typed)
    state, effects = begin(state)

    def step(now: Probing, answer: Answer) -> tuple[Probing, Sequence[Effect]]:
        return advance(now, answer, chance)

    talk = Talk(ears, mouth, exercise.understand, [screen], state, step, wait=exercise.wait)
    try:
        talk.run(effects)
    except KeyboardInterrupt:
        out("")
    return talk.state.how or "interrupted", talk.state


def _ended(
    exercise: Exercise,
    began: datetime,
    state: Probing,
    how: str,
    out: Print,
    guided: GuidedFurnace | None = None,
    folder: Path | None = None,
) -> Ended:
    p = state.furnace
    known = knowledge(p.equipment.id, p.meter.meter.id)
    misread, unseen = (guided.misread, guided.unseen) if guided else (0, 0)
    end = closing(
        p,
        state.answer,
        known,
        exercise.chance(SCORING),
        told=how in ("answered", "stopped"),
        guided=guided is not None,
        misread=misread,
        unseen=unseen,
    )
    session: dict[str, Any] = {
        "at": began.isoformat(),
        "seconds": round((exercise.clock() - began).total_seconds(), 1),
        "trainee": exercise.trainee,
        "way": "guided" if guided else "free",
        "typed": exercise.typed,
        "level": exercise.level,
        "seed": exercise.seed,
        "equipment": p.equipment.id,
        "meter": p.meter.meter.id,
        "fault": p.hidden,
        "answer": state.answer,
        "mark": end.mark,
        "how": how,
        "readings": end.readings,
        "fewest": end.fewest,
        "slips": list(p.slips),
        "withdrawn": state.withdrawn,
        "lessons": list(end.lessons),
        "program": f"twohands {version()}",
        "invented": True,
    }
    if guided and folder:
        session |= {"misread": misread, "unseen": unseen, "visit": folder.name}
    if how == "gas":
        # Nobody stays to hear a score.
        return Ended(session, (), (), 0, out)
    if how == "interrupted":
        return Ended(session, (Say(phrases().line("broken_off")),), (), 130, out)
    return Ended(session, tuple(Say(text, "verdict") for text in end.said), end.lessons, 0, out)


def _card(exercise: Exercise, out: Print) -> None:
    """What can be typed, on one card."""
    book = phrases()
    out("  a test      volts or ohms, from one point to another:  volts from line to r")
    out("  points      " + ", ".join(one.phrases[0] for one in book.points.values()))
    out("  also        " + ", ".join(one.phrases[0] for name, one in book.actions.items() if name != "undo"))
    out("  an answer   my answer is, and one of:")
    listed = [book.faults[name].phrases[0] for name in exercise.open_faults]
    for at in range(0, len(listed), 5):
        out("                " + ", ".join(listed[at : at + 5]))


def _folder(visits: Path, now: datetime) -> Path:
    stem = f"{now:%Y%m%d-%H%M%S}-practice"
    folder, number = visits / stem, 2
    while folder.exists():
        folder, number = visits / f"{stem}-{number}", number + 1
    return folder
