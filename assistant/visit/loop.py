"""One visit: hear, understand, advance, and perform what the dialogue wants, in its order.

Every line is on disk before the first sentence after it is spoken: `Save`
writes at once, `Say` only queues, and the queue is spoken when the ears are
about to open.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from assistant.errors import AssistantError, DeviceLost, DiskFull
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Final
from assistant.privacy import Keep, keeps
from assistant.visit.answers import to_data
from assistant.visit.journal import Journal
from flows.procedure.compile import Plan
from flows.procedure.session import Effect, End, Listen, Memo, Pace, Save, Say, Session, Tone
from flows.talk.dialogue import advance
from grammar.answers import Answer, Command, Heard
from grammar.parse import understand
from grammar.scope import Scope

Understand = Callable[[Heard, Scope], Answer]
PACE = {-1: "slow", 0: "normal", 1: "fast"}


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


@dataclass(frozen=True)
class Outcome:
    """How a visit ended ("finished", "stopped", "gas", "interrupted") and where it stood."""

    how: str
    session: Session


@dataclass
class Visit:
    """The moving parts of one visit; `run` does the work.

    understand: from heard words to an answer. reopen_tries: how often a lost
    device is tried again, `wait` being called before each. keep_sound: which
    sounds are kept beside the words.
    """

    plan: Plan
    ears: Ears
    mouth: Mouth
    journal: Journal
    watchers: Sequence[Watcher] = ()
    understand: Understand = understand
    wait: Callable[[], None] = lambda: None
    reopen_tries: int = 10
    keep_sound: Keep = "doubtful"
    _memo: list[np.ndarray] = field(default_factory=list)

    def run(self, session: Session, effects: Sequence[Effect]) -> Outcome:
        """From a session and its first effects to an end. Raises AssistantError when the record cannot be kept."""
        while True:
            scope, how = self._perform(session, effects)
            if how is not None:
                return Outcome(how, session)
            if scope is None or self.journal.is_full:
                return self._interrupted(session)
            final = self._hear(scope, session)
            if final is None and session.mode == "alarm":
                self._save(gas_end(), "end", gas_end().data)
                return Outcome("gas", session)
            if final is None:
                return self._interrupted(session)
            answer = self.understand(final.heard, scope)
            note = session.mode == "memo" and not (isinstance(answer, Command) and answer.id in ("end_note", "gas"))
            self._keep(final, answer, scope, note)
            if note:
                self._memo.append(final.sound)
            session, effects = advance(self.plan, session, answer)

    def _perform(self, session: Session, effects: Sequence[Effect]) -> tuple[Scope | None, str | None]:
        """Do what is wanted; the scope to listen for, or how the visit ended."""
        scope, how = None, None
        for effect in effects:
            match effect:
                case Save(kind, data):
                    self._save(effect, kind, data)
                case Say(text, role, line):
                    self._save(Save("said", {"line": line, "text": text, "role": role}), "said", {"line": line, "text": text, "role": role})
                    self.mouth.say(text)
                    for watcher in self.watchers:
                        watcher.said(effect)
                case Tone(name):
                    self.mouth.tone(name)
                case Pace(rate):
                    self.mouth.pace(PACE[rate])
                case Memo(what):
                    self._memo_moves(what, session)
                case Listen(wanted):
                    scope = wanted
                case End(ending):
                    how = ending
        self._speak()
        return scope, how

    def _speak(self) -> None:
        try:
            self.mouth.speak()
        except DeviceLost as error:
            self._trouble("loudspeaker", error)

    def _save(self, save: Save, kind: str, data: dict[str, object]) -> None:
        was_full = self.journal.is_full
        self.journal.write(kind, data)
        for watcher in self.watchers:
            watcher.saved(save)
        if self.journal.is_full and not was_full:
            self._trouble("disk", DiskFull("The disk is full. The last reading is kept, and I must stop here.", "Make room, then go on with: twohands run --resume."))

    def _hear(self, scope: Scope, session: Session) -> Final | None:
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

    def _keep(self, final: Final, answer: Answer, scope: Scope, note: bool) -> None:
        heard = final.heard
        snippet = self.journal.snippet(final.sound) if keeps(self.keep_sound, answer, note) else None
        data = {
            "scope": scope.name,
            "text": heard.text,
            "confidence": heard.confidence,
            "alternatives": [list(one) for one in heard.alternatives],
            "seconds": heard.seconds,
            "level_db": heard.level_db,
            "engine": heard.engine,
            "answer": to_data(answer),
            "snippet": snippet,
        }
        if heard.second is not None:
            data["second"] = {"text": heard.second.text, "confidence": heard.second.confidence, "engine": heard.second.engine}
        for watcher in self.watchers:
            watcher.heard(final, answer, scope)
        self._save(Save("heard", data), "heard", data)

    def _memo_moves(self, what: str, session: Session) -> None:
        if what == "start":
            self._memo.clear()
            return
        sound = np.concatenate(self._memo) if self._memo else np.zeros(0, np.int16)
        name = self.journal.memo(sound) if self.keep_sound != "none" else None
        data = {"file": name, "seconds": len(sound) / SAMPLE_RATE, "step": session.step}
        self._save(Save("memo", data), "memo", data)

    def _trouble(self, what: str, error: AssistantError) -> None:
        """Say what is wrong, print it and keep it; the visit can be resumed."""
        say = Say(error.text, "alarm", f"trouble/{what}")
        if what != "disk":
            self.journal.write("trouble", {"what": what, "problem": error.problem, "remedy": error.remedy})
        for watcher in self.watchers:
            watcher.said(say)
        if what == "loudspeaker":
            return
        self.mouth.say(error.text)
        self.mouth.speak()

    def _interrupted(self, session: Session) -> Outcome:
        return Outcome("interrupted", session)


def gas_end() -> Save:
    """The last line of a visit that a gas alarm has ended: nobody came back to it."""
    return Save("end", {"how": "gas", "fault": None, "summary": "Gas was reported."})


def opening(plan: Plan, *, visit: str, engine: str, voice: str, program: str, invented: bool, technician: str = "", site: str = "") -> dict[str, object]:
    """The first line of a journal."""
    return {
        "visit": visit,
        "procedure": plan.procedure.id,
        "procedure_title": plan.procedure.title,
        "procedure_version": plan.procedure.version,
        "equipment": plan.equipment.id,
        "equipment_name": plan.equipment.name,
        "meter": plan.meter.id,
        "meter_name": plan.meter.name,
        "language": plan.language,
        "engine": engine,
        "voice": voice,
        "program": program,
        "invented": invented,
        "technician": technician,
        "site": site,
    }

