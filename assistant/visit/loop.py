"""The loop of every talk: hear, understand, advance, and perform what is wanted, in its order.

What is to be kept is on disk before the first sentence after it is spoken:
`Save` is written at once, `Say` only queues, and the queue is spoken when the
ears are about to open. A lost device is handled here, for visits and practice
alike.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Generic, Protocol, TypeVar

from assistant.errors import AssistantError, DeviceLost, DiskFull
from assistant.hearing.engines.base import Final
from assistant.visit.over import CutIn, Passed
from flows.procedure.session import Effect, End, Listen, Memo, Pace, Save, Say, Tone
from flows.talk.cut import owed as owed_warnings
from grammar.answers import Answer, Command, Heard
from grammar.scope import Scope

State = TypeVar("State")
Kept = TypeVar("Kept", contravariant=True)
"""The state as a keeper takes it: it only looks at it."""
Step = Callable[[State, Answer], tuple[State, Sequence[Effect]]]
Understand = Callable[[Heard, Scope], Answer]
PACE = {-1: "slow", 0: "normal", 1: "fast"}
FULL = DiskFull(
    "The disk is full. The last reading is kept, and I must stop here.",
    "Make room, then go on with: twohands run --resume.",
)


class Ears(Protocol):
    """Where answers come from: a microphone, a file, a keyboard, a recorded technician."""

    def hear(self, scope: Scope) -> Final | None:
        """The next utterance under `scope`, or None when nothing more can come. Raises AssistantError."""

    def reopen(self) -> bool:
        """Try to get a lost device back; whether that worked."""


class Mouth(Protocol):
    """Where sentences and tones go."""

    def say(self, text: str) -> None:
        """Queue a sentence."""

    def tone(self, name: str) -> None:
        """Queue a tone."""

    def pace(self, rate: str) -> None:
        """The rate of the sentences queued from now on."""

    def speak(self) -> None:
        """Speak what is queued; return when it is over. Raises AssistantError."""


class Watcher(Protocol):
    """Sees what happens, to print it or to learn from it."""

    def said(self, say: Say) -> None: ...

    def heard(self, final: Final, answer: Answer, scope: Scope) -> None: ...

    def saved(self, save: Save) -> None: ...

    def listening(self, scope: Scope) -> None: ...


class HearsOver(Protocol):
    """Ears that also hear while we speak."""

    def speak(
        self,
        mouth: Mouth,
        says: Sequence[Say],
        listen: Listen,
        understand: Understand,
        passed: Callable[[Passed], None],
    ) -> CutIn | None:
        """Speak what is queued; who cut in. passed: told what was heard and does not count. Raises AssistantError."""


class Keeper(Protocol[Kept]):
    """Keeps what happens."""

    @property
    def is_full(self) -> bool:
        """Whether nothing more can be kept; the talk ends then."""

    def write(self, save: Save) -> None:
        """Put it on disk. Raises AssistantError."""

    def heard(self, final: Final, answer: Answer, scope: Scope, state: Kept) -> Save | None:
        """What is to be written of an utterance, its sound being kept already."""

    def memo(self, what: str, state: Kept) -> Save | None:
        """A note begins ("start") or is over; what is to be written of it."""

    def trouble(self, what: str, error: AssistantError) -> None:
        """A device or the disk has failed."""


class KeepsNothing(Generic[State]):
    """For talk that leaves no record of its course."""

    is_full = False

    def write(self, save: Save) -> None:
        """Nothing is written."""

    def heard(self, final: Final, answer: Answer, scope: Scope, state: State) -> Save | None:
        return None

    def memo(self, what: str, state: State) -> Save | None:
        return None

    def trouble(self, what: str, error: AssistantError) -> None:
        """It is said, and that is all."""


@dataclass
class Talk(Generic[State]):
    """state: where it stands, also when it was broken off. step: the pure function.

    reopen_tries: how often a lost device is tried again, `wait` being called before each. over: the ears again, where
    they hear while we speak. unsaid: the state once sentences were cut short, given their lines.
    """

    ears: Ears
    mouth: Mouth
    understand: Understand
    watchers: Sequence[Watcher]
    state: State
    step: Step[State]
    keeper: Keeper[State] = field(default_factory=KeepsNothing)
    wait: Callable[[], None] = lambda: None
    reopen_tries: int = 10
    over: HearsOver | None = None
    unsaid: Callable[[State, tuple[str, ...]], State] = lambda state, lines: state

    def run(self, effects: Sequence[Effect]) -> str:
        """Until it ends: how, "" where nothing more is to be heard, "dry" where the ears gave out.

        Raises AssistantError when the record cannot be kept.
        """
        owed: list[Say] = []
        while True:
            listen, how, cut_in = self._perform([*owed, *effects])
            if how is not None:
                return how
            if listen is None:
                return ""
            said = [one for one in (*owed, *effects) if isinstance(one, Say)]
            owed = []
            if cut_in is not None:
                final, answer, scope = cut_in.final, cut_in.answer, cut_in.scope
                if cut_in.cut:
                    self.save(Save("cut", {"lines": list(cut_in.cut)}))
                    self.state = self.unsaid(self.state, cut_in.cut)
            else:
                heard = None if self.keeper.is_full else self._hear(listen.scope)
                if heard is None:
                    return "dry"
                final, scope = heard, listen.scope
                answer = self.understand(final.heard, scope)
            line = self.keeper.heard(final, answer, scope, self.state)
            for watcher in self.watchers:
                watcher.heard(final, answer, scope)
            if line is not None:
                self.save(line)
            self.state, effects = self.step(self.state, answer)
            if cut_in is not None and not is_alarm(answer):
                coming = [one.line for one in effects if isinstance(one, Say)]
                owed = owed_warnings(said, cut_in.cut, coming)

    def save(self, save: Save) -> None:
        """Put it on disk and tell the watchers; a disk that is full now is told once."""
        was_full = self.keeper.is_full
        self.keeper.write(save)
        for watcher in self.watchers:
            watcher.saved(save)
        if self.keeper.is_full and not was_full:
            self._trouble("disk", FULL)

    def _perform(self, effects: Sequence[Effect]) -> tuple[Listen | None, str | None, CutIn | None]:
        """Do what is wanted; what to listen for, or how it ended; and who cut in."""
        listen, how, cut_in = None, None, None
        for effect in effects:
            match effect:
                case Save():
                    self.save(effect)
                case Say(text, role, line):
                    self.save(Save("said", {"line": line, "text": text, "role": role}))
                    self.mouth.say(text)
                    for watcher in self.watchers:
                        watcher.said(effect)
                case Tone(name):
                    self.mouth.tone(name)
                case Pace(rate):
                    self.mouth.pace(PACE[rate])
                case Memo(what):
                    if (note := self.keeper.memo(what, self.state)) is not None:
                        self.save(note)
                case Listen():
                    listen = effect
                case End(ending):
                    how = ending
        try:
            if self.over is None or listen is None:
                self.mouth.speak()
            else:
                says = [one for one in effects if isinstance(one, Say)]
                cut_in = self.over.speak(self.mouth, says, listen, self.understand, self._passed)
        except DeviceLost as error:
            self._trouble("loudspeaker", error)
        return listen, how, cut_in

    def _passed(self, passed: Passed) -> None:
        """Words over our voice that do not count are written down, so that nobody wonders what became of them."""
        over = passed.final.over
        self.save(
            Save(
                "talked_over",
                {"text": passed.final.heard.text, "why": passed.why, "line": over.line if over is not None else ""},
            )
        )

    def _hear(self, scope: Scope) -> Final | None:
        for _ in range(self.reopen_tries + 1):
            for watcher in self.watchers:
                watcher.listening(scope)
            try:
                return self.ears.hear(scope)
            except DeviceLost as error:
                self._trouble("microphone", error)
                if not self._back():
                    return None
        return None

    def _back(self) -> bool:
        for _ in range(self.reopen_tries):
            self.wait()
            if self.ears.reopen():
                return True
        return False

    def _trouble(self, what: str, error: AssistantError) -> None:
        """Say what is wrong, show it and keep it; a visit can be gone on with."""
        self.keeper.trouble(what, error)
        for watcher in self.watchers:
            watcher.said(Say(error.text, "alarm", f"trouble/{what}"))
        if what == "loudspeaker":
            return
        self.mouth.say(error.text)
        self.mouth.speak()


def is_alarm(answer: Answer) -> bool:
    """Whether somebody smells gas."""
    return isinstance(answer, Command) and answer.id == "gas"
