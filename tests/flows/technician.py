"""A technician who answers whatever is asked: readings from a list by step, answers by their phrases.

    words = typed(plan, Furnace(readings={"ground_path": ["5.4", "0.7"]}, offers=["fix it now"]))

gives the words of a whole visit, so that a test need not follow the order of the questions.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from flows.procedure.compile import Plan
from flows.procedure.session import Listen
from grammar.answers import Heard
from grammar.parse import understand
from grammar.scope import Scope
from tests.flows.talking import Talk

GOOD = {
    "supply": "118.4",
    "polarity_hot": "118.2",
    "polarity_neutral": "0.2",
    "secondary": "24.2",
    "phasing": "94.2",
    "rod_voltage": "89",
    "meter_live": "118.4",
    "hot_neutral_dead": "0.00",
    "hot_ground_dead": "0.00",
    "neutral_ground_dead": "0.00",
    "meter_still_live": "118.3",
    "lead_zero": "0.2",
    "ground_path": "0.7",
    "flame_current": "2.6",
}
"""Readings of a sound furnace of the family larkspur, by step. Invented."""
MOST = 300


@dataclass
class Furnace:
    """readings: what the meter shows at a step, one after the other, the last again and again.

    offers: what is wanted after a check that did not pass, one after the other; then it is carried on, or stopped
    where that is not offered. says: other words at a step, once. answers: an answer other than the first, by step.
    """

    readings: Mapping[str, Sequence[str]] = field(default_factory=dict)
    offers: Sequence[str] = ()
    says: Mapping[str, str] = field(default_factory=dict)
    answers: Mapping[str, str] = field(default_factory=dict)


@dataclass
class Technician:
    """Answers one scope after the other."""

    plan: Plan
    furnace: Furnace
    shown: dict[str, int] = field(default_factory=dict)
    offered: int = 0
    said: set[str] = field(default_factory=set)

    def answer(self, scope: Scope) -> str:
        step, mode = scope.name.split("/")
        options = {one.id: one.phrases[0] for one in scope.options}
        if mode == "ask" and step in self.furnace.says and step not in self.said:
            self.said.add(step)
            return self.furnace.says[step]
        if mode == "offer":
            return self._wanted(options)
        if mode == "paused":
            return "continue"
        if mode == "confirm":
            return options.get("yes", "yes")
        if mode in ("again", "alarm"):
            return next(text for name, text in options.items() if name != "no")
        if scope.asked is not None:
            return self._shown(step, mode)
        wanted = self.furnace.answers.get(step)
        return options[wanted] if wanted else next(text for name, text in options.items() if name != "skip")

    def _wanted(self, options: Mapping[str, str]) -> str:
        self.offered += 1
        if self.offered <= len(self.furnace.offers):
            return self.furnace.offers[self.offered - 1]
        return options.get("carry_on", "stop")

    def _shown(self, step: str, mode: str) -> str:
        row = self.furnace.readings.get(step) or [GOOD.get(step, "0.0")]
        place = self.shown.get(step, 0)
        if mode == "ask":
            self.shown[step] = place + 1
        return row[min(place, len(row) - 1)]


def go_on(talk: Talk, technician: Technician) -> Iterator[str]:
    """Answer until the visit ends; each text as it is said."""
    for _ in range(MOST):
        listen = next((one for one in talk.effects if isinstance(one, Listen)), None)
        if listen is None:
            return
        text = technician.answer(listen.scope)
        yield text
        talk.give(understand(Heard(text), listen.scope))
    raise AssertionError(f"The visit does not end: {talk.at}.")


def visited(plan: Plan, furnace: Furnace | None = None) -> tuple[Talk, tuple[str, ...]]:
    """A whole visit, and the words that were said in it."""
    talk = Talk(plan)
    return talk, tuple(go_on(talk, Technician(plan, furnace or Furnace())))
