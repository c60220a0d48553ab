"""Invented visits to furnaces of the practice simulator, for what is said in them and how often."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from functools import cache

import numpy as np

from assistant.hearing.engines.base import Final
from assistant.practice.guided import GuidedFurnace
from assistant.practice.phrases import phrases
from assistant.visit.loop import Talk
from assistant.visit.plans import ready_plan
from flows.judge.profiles import equipment, meter
from flows.practice import drawn
from flows.practice import furnace as practice
from flows.procedure.compile import Plan
from flows.procedure.session import Say
from flows.talk.dialogue import advance, begin
from grammar.answers import Heard
from grammar.parse import understand
from grammar.scope import Scope

PROCEDURE = "flame_sensing"
FAMILIES, METERS = ("larkspur", "foxglove", "yarrow"), ("dunlin", "pocket")
LEVELS = ("easy", "medium", "hard", "double")
ASIDES = ("why", "where do the leads go", "say again", "what have i got so far", "help", "mumble", "slower", "go back")
ASIDE, WRONG, SKIP, STOP = 0.04, 0.02, 0.005, 0.002
"""How often an aside comes before an answer, a read-back is refused, a check is skipped, a visit stopped; invented."""
MOST = 600


class Technician:
    """Answers whatever is asked, by what the furnace shows and does; now and then something else first."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._shown = ""
        self._asked = ""
        self._turns = 0
        self.furnace: GuidedFurnace | None = None

    def hear(self, scope: Scope) -> Final | None:
        self._turns += 1
        if self._turns > MOST:
            return None
        return Final(Heard(self._answer(scope)), np.zeros(0, np.int16))

    def reopen(self) -> bool:
        return False

    def say(self, text: str) -> None:
        """What the furnace tells, kept apart from what the visit says."""
        self._shown = text

    def tone(self, name: str) -> None: ...
    def pace(self, rate: str) -> None: ...
    def speak(self) -> None: ...

    def _answer(self, scope: Scope) -> str:
        rng, (step, mode) = self._rng, scope.name.split("/")
        options = {one.id: one.phrases for one in scope.options}
        if mode == "paused":
            return "continue"
        if mode == "confirm":
            return "no" if rng.random() < WRONG else "yes"
        if mode in ("again", "alarm"):
            return next(ways[0] for name, ways in options.items() if name != "no")
        if rng.random() < ASIDE:
            return str(rng.choice(ASIDES))
        if mode == "offer":
            return str(rng.choice([ways[0] for ways in options.values()]))
        if rng.random() < STOP:
            return "stop"
        if "skip" in options and rng.random() < SKIP:
            return options["skip"][0]
        if scope.asked is not None:
            return self._reading(scope, step)
        return self._seen(step, {name: ways[0] for name, ways in options.items() if name not in ("skip", "see")})

    def _reading(self, scope: Scope, step: str) -> str:
        if self._asked != scope.name:
            self._asked, self._shown = scope.name, ""
            return "what does my meter show"
        self._asked = ""
        number = re.search(r"(-?[\d.]+) (\w+)\.", self._shown)
        if number:
            return f"{number[1]} {number[2]}"
        return "over limit" if "over limit" in self._shown else "zero"

    def _seen(self, step: str, options: dict[str, str]) -> str:
        assert self.furnace is not None
        p = self.furnace.furnace
        what = phrases().guided[PROCEDURE].sees.get(step)
        good = p.lit if what == "burner" else bool(what is None or practice.readings.board_proves_flame(p.now)[0])
        names = list(options)
        if what and len(names) > 1:
            return options[names[0 if good else 1]]
        usual = names[0] if self._rng.random() < 0.85 else str(self._rng.choice(names))
        return options[usual]


class Listener:
    """Counts what is said."""

    def __init__(self, said: Counter[str]) -> None:
        self._said = said

    def said(self, say: Say) -> None:
        self._said[say.text] += 1

    def heard(self, *_: object) -> None: ...
    def saved(self, *_: object) -> None: ...
    def listening(self, *_: object) -> None: ...


@cache
def _plan(family: str, meter_name: str) -> Plan:
    return ready_plan(PROCEDURE, family, meter_name, order="adaptive")


def said_in(numbers: Sequence[int]) -> Counter[str]:
    """All that is said in the visits of these numbers, with how often."""
    said: Counter[str] = Counter()
    for number in numbers:
        visit(number, said)
    return said


def visit(number: int, said: Counter[str]) -> str:
    """One visit; how it ended. The same number gives the same visit."""
    rng = np.random.default_rng((417, number))
    family, meter_name = FAMILIES[number % len(FAMILIES)], METERS[number % len(METERS)]
    plan = _plan(family, meter_name)
    level = LEVELS[int(rng.integers(len(LEVELS)))]
    hidden = drawn.start(equipment(family), meter(meter_name), number, level)
    technician = Technician(rng)
    guided = GuidedFurnace(
        plan, phrases().guided[PROCEDURE], hidden, rng, technician, technician, understand, [], lambda *_: None, True
    )
    technician.furnace = guided
    session, effects = begin(plan)

    def step(state, answer):
        return advance(plan, state, answer)

    talk = Talk(guided, technician, understand, [Listener(said), guided], session, step)
    return talk.run(effects)
