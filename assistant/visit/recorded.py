"""A technician made of recordings: listens to the read-backs and answers with recorded speech.

It is given what it wants to say at each step and nothing of the dialogue's
course. Every clip goes through the real recogniser; what comes out may be
wrong, and then the technician says so and repeats.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from assistant.errors import AudioError
from assistant.hearing.audio.files import Conversation, chunks
from assistant.hearing.engines.base import Final, Recognizer
from assistant.visit.ears import StreamEars
from flows.procedure.compile import Plan
from flows.procedure.session import Save, Say
from flows.talk.prompts import readback
from flows.talk.taking import taken_as
from grammar.answers import Answer, Heard, Reading
from grammar.numbers import digits_spoken, parse
from grammar.parse import understand
from grammar.scope import Scope

PATIENCE = 6
"""Times that one and the same question is answered before the technician gives up."""
UNITS = ("kilohms", "megohms")
"""Units that are said with a reading, since the display's prefix would be lost without them."""


class RecordedTechnician:
    """Ears on recordings, and a watcher of what is said.

    says: words by step, "step/again" for the second asking, "step/mended" once something was mended there, "agree",
    "disagree", "offered". Offered the same again after a fix, the technician gives up.
    clip: gives the recording (int16, 16 kHz) of a text. tape: where the speech is laid down.
    """

    def __init__(
        self,
        plan: Plan,
        recognizer: Recognizer,
        says: Mapping[str, str],
        clip: Callable[[str], np.ndarray],
        tape: Conversation,
    ) -> None:
        self._plan = plan
        self._recognizer = recognizer
        self._says = says
        self._clip = clip
        self._tape = tape
        self._last = ""
        self._asked = ("", 0)
        self._refused = ("", 0)
        self._offered: set[str] = set()
        self._mended: set[str] = set()
        self._fixes = fixes(plan)
        self._scopes: dict[str, Scope] = {}
        self._wrong = self._whole = False

    def hear(self, scope: Scope) -> Final | None:
        if scope.name == self._asked[0]:
            self._asked = (scope.name, self._asked[1] + 1)
        else:
            self._asked = (scope.name, 1)
        if self._asked[1] > PATIENCE or self._refused[1] > PATIENCE:
            return None
        step, mode = scope.name.split("/")
        if mode == "offer" and step in self._mended:
            return None
        self._scopes[step] = scope
        sound = self._clip(self._answer(scope))
        self._tape.technician(self._tape.seconds, sound)
        heard = StreamEars(self._recognizer, lambda: chunks(sound)).hear(scope)
        return heard or Final(Heard("", 0.0, engine=self._recognizer.name), sound)

    def reopen(self) -> bool:
        return False

    def said(self, say: Say) -> None:
        if say.role == "readback":
            self._last = say.text
        if say.role == "question":
            self._whole = say.line == "miss_whole"
        if say.line == "taken_as":
            self._wrong = say.text != self._taken_as(self._asked[0].split("/")[0])

    def heard(self, final: Final, answer: Answer, scope: Scope) -> None:
        """The technician does not see what the program understood."""

    def saved(self, save: Save) -> None:
        """The technician does not see the record."""

    def listening(self, scope: Scope) -> None:
        """The technician answers when asked, by `hear`."""

    def _answer(self, scope: Scope) -> str:
        step, mode = scope.name.split("/")
        wrong, self._wrong = self._wrong, False
        if wrong and mode == "ask" and any(option.id == "no" for option in scope.options):
            return self._says["disagree"]
        match mode:
            case "confirm" if self._is_mine(step, scope):
                return self._says["agree"]
            case "confirm":
                self._refused = (step, self._refused[1] + 1 if step == self._refused[0] else 1)
                return self._says["disagree"]
            case "digits" | "which":
                return self._spelled(step)
            case "again":
                return self._says[f"{step}/again"]
            case "offer":
                self._offered.add(step)
                return self._says["offered"]
            case "ask" if self._refused[0] == step and scope.asked is not None and not self._whole:
                # Misheard once, people spell it out.
                return self._spelled(step)
            case "ask":
                if step in self._fixes:
                    self._mended |= self._offered
                return self._words(step)
            case "alarm":
                # Nobody smelled gas in a recording: something else was taken for it.
                return self._says[scope.options[0].id]
        raise AudioError(
            f"The recorded technician has nothing to say at '{scope.name}'.", f"Add it under 'says': {step}."
        )

    def _words(self, step: str) -> str:
        """What is said at a step; other words where something was mended since."""
        mended = self._says.get(f"{step}/mended") if step in self._mended else None
        return mended or self._says[step]

    def _spelled(self, step: str) -> str:
        text = spelled(self._words(step))
        if text is None:
            raise AudioError(
                f"'{self._words(step)}' is no reading for '{step}'.", "Mend it in the list of what the technician says."
            )
        return text

    def _is_mine(self, step: str, scope: Scope) -> bool:
        """Whether the read-back is what the technician said."""
        if self._plan.step(step).ask is None:
            return bool(self._plan.step(step).answers) and self._words(step) in self._last
        return readback(self._plan, self._reading(step, scope)).text == self._last

    def _taken_as(self, step: str) -> str:
        """How the technician's own reading is read back where no question is asked about it."""
        return taken_as(self._plan, step, self._reading(step, self._scopes[step]))

    def _reading(self, step: str, scope: Scope) -> Reading:
        meant = understand(Heard(self._words(step)), replace(scope, digits_only=False))
        if not isinstance(meant, Reading):
            raise AudioError(
                f"'{self._words(step)}' is no reading for '{step}'.", "Mend it in the list of what the technician says."
            )
        return meant


def fixes(plan: Plan) -> frozenset[str]:
    """The steps in which something is mended."""
    named = {fix for step in plan.procedure.steps.values() if step.judge for fix in step.judge.fix.values()}
    return frozenset(named | ({plan.procedure.fix} if plan.procedure.fix else set()))


def spelled(text: str) -> str | None:
    """A reading digit by digit, with its unit where that was said; None for what is no reading."""
    *words, last = text.split()
    unit = f" {last}" if last in UNITS else ""
    number = parse(" ".join(words) if unit else text)
    return digits_spoken(number.digits) + unit if number else None
