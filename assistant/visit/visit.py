"""One visit: the dialogue in talk, every line of it in the journal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from assistant.errors import AssistantError
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Final
from assistant.privacy import Keep, keeps
from assistant.visit.answers import to_data
from assistant.visit.journal import Journal
from assistant.visit.loop import Ears, HearsOver, Mouth, Talk, Understand, Watcher
from flows.procedure.compile import Plan
from flows.procedure.session import Cut, Effect, Save, Session
from flows.talk.dialogue import advance
from grammar.answers import Answer, Command
from grammar.parse import understand
from grammar.scope import Scope


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
    sounds are kept beside the words. over: the ears again, where they hear while we speak.
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
    over: HearsOver | None = None

    def run(self, session: Session, effects: Sequence[Effect]) -> Outcome:
        """From a session and its first effects to an end. Raises AssistantError when the record cannot be kept."""
        talk = Talk(
            self.ears,
            self.mouth,
            self.understand,
            self.watchers,
            session,
            lambda now, answer: advance(self.plan, now, answer),
            JournalKeeper(self.journal, self.keep_sound),
            self.wait,
            self.reopen_tries,
            self.over,
            lambda now, lines: advance(self.plan, now, Cut(lines))[0],
        )
        how = talk.run(effects)
        if how == "dry" and talk.state.mode == "alarm" and not self.journal.is_full:
            # Nobody came back to say that the air is clear.
            talk.save(gas_end())
            how = "gas"
        return Outcome("interrupted" if how in ("", "dry") else how, talk.state)


@dataclass
class JournalKeeper:
    """Keeps a visit in its journal, with the sounds that `keep_sound` says."""

    journal: Journal
    keep_sound: Keep
    _memo: list[np.ndarray] = field(default_factory=list)

    @property
    def is_full(self) -> bool:
        return self.journal.is_full

    def write(self, save: Save) -> None:
        self.journal.write(save.kind, save.data)

    def heard(self, final: Final, answer: Answer, scope: Scope, state: Session) -> Save:
        note = state.mode == "memo" and not (isinstance(answer, Command) and answer.id in ("end_note", "gas"))
        if note:
            self._memo.append(final.sound)
        heard = final.heard
        data = {
            "scope": scope.name,
            "text": heard.text,
            "confidence": heard.confidence,
            "alternatives": [list(one) for one in heard.alternatives],
            "seconds": heard.seconds,
            "level_db": heard.level_db,
            "engine": heard.engine,
            "answer": to_data(answer),
            "snippet": self.journal.snippet(final.sound) if keeps(self.keep_sound, answer, note) else None,
        }
        if final.over is not None:
            data["over"] = {"line": final.over.line, "at": round(final.over.at, 2)}
        if heard.second is not None:
            second = heard.second
            data["second"] = {"text": second.text, "confidence": second.confidence, "engine": second.engine}
        return Save("heard", data)

    def memo(self, what: str, state: Session) -> Save | None:
        if what == "start":
            self._memo.clear()
            return None
        sound = np.concatenate(self._memo) if self._memo else np.zeros(0, np.int16)
        name = self.journal.memo(sound) if self.keep_sound != "none" else None
        return Save("memo", {"file": name, "seconds": len(sound) / SAMPLE_RATE, "step": state.step})

    def trouble(self, what: str, error: AssistantError) -> None:
        if what != "disk":
            self.journal.write("trouble", {"what": what, "problem": error.problem, "remedy": error.remedy})


def gas_end() -> Save:
    """The last line of a visit that a gas alarm has ended: nobody came back to it."""
    return Save("end", {"how": "gas", "fault": None, "summary": "Gas was reported."})


def opening(
    plan: Plan,
    *,
    visit: str,
    engine: str,
    voice: str,
    program: str,
    invented: bool,
    technician: str = "",
    site: str = "",
) -> dict[str, object]:
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
