"""Where a visit stands, and what the dialogue wants done next. Frozen records only."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from flows.judge.measured import Measured, Verdict
from grammar.answers import Answer, Reading
from grammar.scope import Scope

Mode = Literal["ask", "confirm", "digits", "which", "again", "offer", "paused", "memo", "alarm", "ended"]
Level = Literal["learner", "usual", "brief"]
Role = Literal["step", "caution", "why", "readback", "verdict", "question", "alarm", "info"]


@dataclass(frozen=True)
class Taken:
    """A confirmed reading. step: where it was taken; the latest one of a probe counts.

    counts_as: the probe that the fault reasoning takes it for, another one once something was mended.
    """

    step: str
    probe: str
    reading: Reading
    measured: Measured
    counts_as: str = ""


@dataclass(frozen=True)
class Session:
    """Everything the dialogue knows. Made only by `dialogue.begin` and `dialogue.advance`.

    step, mode: where it stands. power: "on", "said_off" (somebody said so),
    "dead" (proven by readings) or "doubt" (it was off before a break). proofs: what has been proven since power was
    said to be off. things: where each thing stands, as (thing, position).
    agenda: steps still to be reached, first first; what lies between is done on the way.
    tests: extra tests asked for, to be taken as soon as the power allows.
    safety: findings of failed safety checks that stand, as (step, finding).
    mended: probe that counts as another since something was mended, as (probe, other).
    fixing: steps that are taken again because something was mended, so that both readings stand.
    named: faults that the reasoning has named so far.
    pending: a reading or answer waiting for its confirmation. between: readings
    it may have been. doubtful: what was last heard in its place, not well enough
    to be read back. misses: the rung of the ladder of asking that comes next.
    wrong: read-backs refused at this step, counted to 2.
    refused: the readings (SI) refused at this step, the last few; they only weigh in hearing.
    weak: readings heard at this step too doubtfully to be kept in mind, the last few.
    leaving: "stop" was said; only the way out is left. spoken: steps whose
    caution was given in full. trail: reading steps answered, oldest first. done: every step that was answered.
    level: how much is told, as in flows.talk.levels. unasked: the step whose reading was taken without a question of
    its own and can be taken back; "" for none. recalled: the one that was taken back and is not read again yet.
    unheard: how often nothing was understood before the first reading, no further than flows.talk.early counts; no way
    depends on it.
    taught: the phrases that were told as answers. smooth: nothing had to be asked again so far.
    """

    step: str
    mode: Mode = "ask"
    power: str = "on"
    proofs: frozenset[str] = frozenset()
    things: tuple[tuple[str, str], ...] = ()
    agenda: tuple[str, ...] = ()
    tests: tuple[str, ...] = ()
    safety: tuple[tuple[str, str], ...] = ()
    mended: tuple[tuple[str, str], ...] = ()
    fixing: tuple[str, ...] = ()
    named: tuple[str, ...] = ()
    pending: Reading | None = None
    pending_answer: str | None = None
    between: tuple[Reading, ...] = ()
    doubtful: Reading | None = None
    misses: int = 0
    wrong: int = 0
    outcome: str | None = None
    answer: str | None = None
    leaving: bool = False
    rate: int = 0
    spoken: frozenset[str] = frozenset()
    trail: tuple[str, ...] = ()
    done: frozenset[str] = frozenset()
    taken: tuple[Taken, ...] = ()
    evidence: tuple[tuple[str, bool | str], ...] = ()
    verdicts: tuple[tuple[str, Verdict], ...] = ()
    skipped: tuple[str, ...] = ()
    back_to: Mode = "ask"
    level: Level = "learner"
    unasked: str = ""
    recalled: str = ""
    taught: frozenset[str] = frozenset()
    smooth: bool = True
    unheard: int = 0
    refused: tuple[float, ...] = ()
    weak: tuple[Reading, ...] = ()

    def where(self, thing: str) -> str:
        """Where a thing stands; "" for one that the procedure does not know."""
        return next((place for name, place in self.things if name == thing), "")

    def reading_of(self, probe: str) -> Measured | None:
        """The latest confirmed value of `probe`, or None."""
        return next((one.measured for one in reversed(self.taken) if one.probe == probe), None)

    def readings(self) -> dict[str, Measured]:
        """The latest confirmed value of every probe taken."""
        return {one.probe: one.measured for one in self.taken}


@dataclass(frozen=True)
class Say:
    """Speak and print. line: id of the sentence in its data file."""

    text: str
    role: Role = "info"
    line: str = ""


@dataclass(frozen=True)
class Tone:
    """Play a short tone: "listening", "heard", "passed", "look_again" or "alarm"."""

    name: str


@dataclass(frozen=True)
class Listen:
    """Open the ears for this scope. Always the last effect, unless the visit ends.

    whole: an answer counts only once all that was said before was heard to its end.
    at_once: answers that count in the middle of any sentence.
    """

    scope: Scope
    whole: bool = False
    at_once: tuple[str, ...] = ()


@dataclass(frozen=True)
class Save:
    """Write one journal line before anything that follows is spoken."""

    kind: str
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Pace:
    """Change the speaking rate: 0 normal, -1 slow, 1 quick."""

    rate: int


@dataclass(frozen=True)
class Memo:
    """Start ("start") or end ("end") the recording of a voice memo."""

    what: Literal["start", "end"]


@dataclass(frozen=True)
class End:
    """The visit is over. how: "finished", "stopped" or "gas"."""

    how: str


Effect = Say | Tone | Listen | Save | Pace | Memo | End


@dataclass(frozen=True)
class Resumed:
    """The visit goes on after a break; what was known of the power is no longer trusted."""


@dataclass(frozen=True)
class Cut:
    """The technician spoke while something was being said. lines: ids of the sentences that were not said to their
    end."""

    lines: tuple[str, ...]


Input = Answer | Resumed | Cut
Moved = tuple[Session, list[Effect]]
"""Where a visit stands after an answer, and what is to be done, in its order."""
