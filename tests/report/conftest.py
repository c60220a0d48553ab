"""Visits for reports: simulated ones by what happened in them, and real ones walked by the dialogue."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from assistant.audio.files import Conversation
from assistant.demo import demo_file
from assistant.engines.base import Event as EngineEvent
from assistant.engines.base import Final
from assistant.journal import Journal, read
from assistant.plans import ready_plan
from assistant.recorded import RecordedTechnician
from assistant.records.invented import invented_visits
from assistant.visit import Visit, opening
from flows.dialogue import begin
from grammar.answers import Heard
from grammar.scope import Scope

Events = list[dict[str, Any]]


@pytest.fixture(scope="session")
def find() -> Callable[[Callable[[Events], bool]], Events]:
    """The first simulated visit that is wanted."""
    made: list[Events] = list(invented_visits(300, seed=4))

    def first(wanted: Callable[[Events], bool]) -> Events:
        return next(one for one in made if wanted(one))

    return first


class Hears:
    """A recogniser that always hears what was meant: `clip` gives it a number for each text."""

    name = "test"

    def __init__(self) -> None:
        self.texts: list[str] = []

    def clip(self, text: str) -> np.ndarray:
        self.texts.append(text)
        return np.full(160, len(self.texts) - 1, np.int16)

    def open(self, scope: Scope) -> None:
        self._last: np.ndarray = np.zeros(0, np.int16)

    def feed(self, chunk: np.ndarray) -> list[EngineEvent]:
        self._last = chunk if len(chunk) else self._last
        return []

    def finish(self) -> list[EngineEvent]:
        text = self.texts[int(self._last[0])].lower()
        return [Final(Heard(text, 0.95, engine=self.name, seconds=1.0), self._last)]

    def close(self) -> None: ...


class Silent:
    """A mouth that says nothing."""

    def say(self, text: str) -> None: ...
    def tone(self, name: str) -> None: ...
    def pace(self, rate: str) -> None: ...
    def speak(self) -> None: ...


def clock() -> Iterator[datetime]:
    now = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    while True:
        now += timedelta(seconds=2.5)
        yield now


@pytest.fixture(scope="session")
def real_visits(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demonstration's visits, walked by the real dialogue, reasoner and journal, with words instead of sound."""
    folder, data, found = tmp_path_factory.mktemp("visits"), demo_file(), {}
    for name, visit in data.visits.items():
        plan, ears, ticks = ready_plan("flame_sensing", visit.equipment, visit.meter), Hears(), clock()
        technician = RecordedTechnician(plan, ears, data.words(name), ears.clip, Conversation())
        journal = Journal(folder / name, lambda ticks=ticks: next(ticks))
        journal.write("visit", opening(plan, visit=name, engine="test", voice="none", program="twohands test", invented=True, technician=visit.technician, site=visit.site))
        Visit(plan, technician, Silent(), journal, [technician]).run(*begin(plan))
        journal.close()
        assert read(folder / name)[0][-1]["kind"] == "end"
        found[name] = folder / name
    return found
