"""The demonstration: whole visits on recorded speech, through the real recogniser and the real voice."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np

from assistant.errors import AudioError
from assistant.hearing.audio.files import Conversation
from assistant.hearing.engines.base import Final, Recognizer
from assistant.speaking.voice import Voice
from assistant.visit.demo.clips import in_its_room, visit_list, visit_sound
from assistant.visit.journal import Clock, Journal
from assistant.visit.loop import Understand, Watcher
from assistant.visit.mouth import Taped, VoiceMouth
from assistant.visit.plans import ready_plan
from assistant.visit.recorded import RecordedTechnician
from assistant.visit.visit import Visit, opening
from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.procedure.session import Level, Save, Say
from flows.reason.assess import Assessment
from flows.talk.believed import assessment
from flows.talk.dialogue import begin
from grammar.answers import Answer
from grammar.datafile import Strict, load_yaml
from grammar.scope import Scope

FILE = Path(__file__).with_name("demo.yaml")


class DemoVisit(Strict):
    """One invented visit. says: words by step; also: more to record; wants: the fault it should find; mended: on the
    way."""

    title: str
    site: str
    technician: str
    equipment: str
    meter: str
    voice: str
    noise: str
    snr_db: float
    wants: str
    mended: bool = False
    offered: str
    says: dict[str, str]
    also: list[str] = []


class DemoFile(Strict):
    """The demonstration visits by id; always: what every technician says."""

    format: Literal[1]
    always: dict[str, str]
    visits: dict[str, DemoVisit]

    def words(self, name: str) -> dict[str, str]:
        """All that the technician of visit `name` says, by step."""
        visit = self.visits[name]
        return {**self.always, **visit.says, "offered": visit.offered}


@dataclass(frozen=True)
class DemoResult:
    """How one visit went.

    named: the fault the program named last on the way; where it never named one, as left.
    left: what all readings say at the end: a fault, healthy where nothing is likelier, "" where it cannot tell.
    missing: checks left open. seconds: length of the conversation.
    """

    name: str
    how: str
    named: str
    left: str
    fault_name: str
    wanted: str
    mended: bool
    missing: tuple[str, ...]
    folder: Path
    seconds: float

    @property
    def as_wanted(self) -> bool:
        """Whether the fault was found, is left as wanted, and no check is missing."""
        left = HEALTHY if self.mended else self.wanted
        return (
            (self.named, self.left) == (self.wanted, left) and not self.missing and self.how in ("finished", "stopped")
        )


class Findings:
    """A watcher that notes which fault the program named. named: the last one, "" while there was none."""

    def __init__(self) -> None:
        self.named = ""
        self.missing: tuple[str, ...] = ()

    def saved(self, save: Save) -> None:
        if save.kind == "assessment" and save.data["named"] not in (None, HEALTHY):
            self.named = save.data["named"]
        if save.kind == "end":
            self.missing = tuple(save.data["missing"])

    def said(self, say: Say) -> None:
        """What is said is in the assessment already."""

    def heard(self, final: Final, answer: Answer, scope: Scope) -> None:
        """What was heard counts only once it is confirmed."""

    def listening(self, scope: Scope) -> None:
        """Nothing is named while it listens."""


Clip = Callable[[str, DemoVisit], np.ndarray]


def recorded_clip(text: str, visit: DemoVisit) -> np.ndarray:
    """The recording of `text` in a visit's voice and room, the room going on before and after it. Raises AudioError."""
    for one in visit_list().utterances:
        if (one.text, one.voice, one.noise, one.snr_db) == (text, visit.voice, visit.noise, visit.snr_db):
            return in_its_room(visit_sound(one.id))
    raise AudioError(
        f"There is no recording of '{text}' by {visit.voice}.",
        "Add it to assistant/visit/demo/clips.yaml and run: python -m audio_fixtures.make",
    )


def demo_file() -> DemoFile:
    """The shipped demonstration. Raises DataFileError."""
    return load_yaml(FILE, DemoFile)


def run_visit(
    name: str,
    data: DemoFile,
    out: Path,
    *,
    recognizer: Recognizer,
    voice: Voice,
    clip: Clip,
    clock: Clock,
    program: str,
    understand: Understand,
    watchers: Sequence[Watcher] = (),
    says: Mapping[str, str] | None = None,
    talk: Level = "learner",
) -> DemoResult:
    """One visit into a new folder under `out`. says: other words for some steps. talk: how much is told. Raises
    AssistantError."""
    visit = data.visits[name]
    plan = ready_plan("flame_sensing", visit.equipment, visit.meter, level=talk)
    tape = Conversation()
    technician = RecordedTechnician(
        plan, recognizer, {**data.words(name), **(says or {})}, lambda text: clip(text, visit), tape
    )
    mouth = VoiceMouth(voice, Taped(tape))
    folder = _new_folder(out, name, clock())
    journal = Journal(folder, clock)
    try:
        engine = recognizer.description
        journal.write(
            "visit",
            opening(
                plan,
                visit=folder.name,
                engine=engine,
                voice=voice.name,
                program=program,
                invented=True,
                technician=visit.technician,
                site=visit.site,
            ),
        )
        findings = Findings()
        outcome = Visit(
            plan, technician, mouth, journal, [*watchers, technician, findings], understand, keep_sound="all"
        ).run(*begin(plan))
    finally:
        journal.close()
    tape.save(folder / "conversation.wav")
    found = assessment(plan, outcome.session)
    left = _stands(found)
    named = findings.named or left
    return DemoResult(
        name,
        outcome.how,
        named,
        left,
        fault_name(named),
        visit.wants,
        visit.mended,
        findings.missing,
        folder,
        tape.seconds,
    )


def _stands(found: Assessment | None) -> str:
    """The fault named by all readings; healthy where none is and nothing is likelier than a sound furnace; else ""."""
    if found is None:
        return ""
    return found.named or (HEALTHY if found.ranked[0][0] == HEALTHY else "")


def fault_name(fault: str) -> str:
    """A fault's name for people; "" for none."""
    return catalog.spoken_name(fault) if fault else ""


def _new_folder(out: Path, name: str, now: datetime) -> Path:
    stem = f"{now:%Y%m%d-%H%M%S}-{name}"
    folder, number = out / stem, 2
    while folder.exists():
        folder, number = out / f"{stem}-{number}", number + 1
    return folder
