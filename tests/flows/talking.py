"""A visit driven by typed words, and the words of its parts. Figures are invented, on the family larkspur."""

from __future__ import annotations

from dataclasses import dataclass, field

from flows.procedure.compile import Plan
from flows.procedure.session import Effect, End, Input, Listen, Save, Say, Session
from flows.talk.dialogue import advance, begin
from grammar.answers import Heard
from grammar.parse import understand
from grammar.scope import Scope

AIR = ("the air is clear", "i am ready")
VOLTS = ("dial is on volts", "red sits in the volt hole")
OFF = ("i opened the switch", "everything is shut down")
ON = ("furnace is running", "it has woken up")
OPEN_UP = ("covers are off", "rod wire is off", "door switch is held")
START = (*AIR, *VOLTS, *OFF, *OPEN_UP, *ON)
"""From the first word to check one."""
LIVE = ("118.4", "yes", "118.2", "yes", "0.2", "yes", "24.2", "yes", "94.2", "yes", "89", "yes")
PROOF = ("118.4", "yes", "zero", "yes", "zero", "yes", "zero", "yes", "118.3", "yes")
DEAD = (*OFF, *PROOF)
OHMS = ("now it reads ohms",)
PATH = (*OHMS, "0.2", "yes", "0.7", "yes")
SERIES = ("it is on microamps", "clips are on", "jumper is in place")
HEAT = (*SERIES, *ON)
FLAME = ("i see a flame", "2.6", "yes", "flame stays lit", "yes")
UNHOOK = ("the flame is gone", "jumper is in my hand", "both posts are bare", "clips are in my hand", "the rod is bare")
CLOSE_UP = ("wire is back on", "it holds fast", "door switch is free", "it comes out again", "covers are shut")
TIDY = (*OFF, *UNHOOK, *VOLTS, *CLOSE_UP, *ON)
WARM = ("thermostat is set back",)
"""The last thing to be put back."""
LAST = ("cycle is complete", *WARM)
WHOLE = (*START, *LIVE, *DEAD, *PATH, *HEAT, *FLAME, *TIDY, *LAST)


@dataclass
class Talk:
    """plan, then `say` words or `give` answers; what came of the last one stands in session and effects."""

    plan: Plan
    session: Session = field(init=False)
    effects: list[Effect] = field(init=False)
    turns: int = 0
    offs: int = 0
    everything: list[Effect] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.session, self.effects = begin(self.plan)
        self.everything += self.effects

    def give(self, given: Input) -> Talk:
        was_on = self.session.power == "on"
        self.session, self.effects = advance(self.plan, self.session, given)
        self.turns += 1
        self.offs += was_on and self.session.power == "said_off"
        self.everything += self.effects
        return self

    def say(self, *texts: str) -> Talk:
        for text in texts:
            self.give(understand(Heard(text), self.scope))
        return self

    @property
    def scope(self) -> Scope:
        return next(one.scope for one in self.effects if isinstance(one, Listen))

    @property
    def spoken(self) -> list[str]:
        return [one.text for one in self.effects if isinstance(one, Say)]

    @property
    def all_spoken(self) -> list[str]:
        return [one.text for one in self.everything if isinstance(one, Say)]

    def saved(self, kind: str) -> list[dict]:
        return [one.data for one in self.effects if isinstance(one, Save) and one.kind == kind]

    def all_saved(self, kind: str) -> list[dict]:
        return [one.data for one in self.everything if isinstance(one, Save) and one.kind == kind]

    @property
    def end(self) -> dict:
        """The last line of the record; the visit must have ended."""
        assert isinstance(self.effects[-1], End), self.at
        return self.saved("end")[0]

    @property
    def at(self) -> str:
        return f"{self.session.step}/{self.session.mode}"
