"""Whole visits on disk, walked by the real dialogue, reasoner, loop and journal, with a technician who types."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from assistant.hearing.engines.base import Final
from assistant.visit.journal import Journal, read
from assistant.visit.kept_plan import keep
from assistant.visit.plans import ready_plan
from assistant.visit.visit import Visit, opening
from flows.procedure.compile import Plan
from flows.talk.dialogue import begin
from grammar.answers import Heard
from grammar.scope import Scope
from tests.flows.technician import Furnace, Technician

OPEN_GROUND = Furnace({"polarity_hot": ["48"], "polarity_neutral": ["71"]})
GROUND_MENDED = Furnace({"polarity_hot": ["48", "118.2"], "polarity_neutral": ["71", "0.2"]}, offers=["fix it now"])
SKIPPED = Furnace(says={"supply": "skip this check"})
CORRODED = Furnace(
    {"ground_path": ["5.8"], "flame_current": ["0.7"], "burner_metal": ["5.3"], "metal_board": ["0.3"]},
    offers=["take that test"],
)
PHASE_MENDED = Furnace({"phasing": ["142.6", "94.2"]}, offers=["fix it now"])
MENDED_AND_STOPPED = Furnace({"phasing": ["142.6", "94.2"]}, offers=["fix it now"], says={"lead_zero": "stop"})
ROD_CLEANED = Furnace({"flame_current": ["0.6", "2.7"]}, offers=["fix it now"])
SWAPPED = Furnace({"phasing": ["142.6"]})
NEVER_LIT = Furnace(answers={"flame_seen": "never_lit"})


class Hearing:
    """Ears on a technician's answers."""

    def __init__(self, technician: Technician) -> None:
        self._technician = technician

    def hear(self, scope: Scope) -> Final | None:
        return Final(Heard(self._technician.answer(scope)), np.zeros(0, np.int16))

    def reopen(self) -> bool:
        return False


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


@cache
def typed_plan() -> Plan:
    """The flame-sensing procedure on larkspur with the dunlin, typed."""
    return ready_plan("flame_sensing", "larkspur", "dunlin", typed=True)


def visit_in(folder: Path, furnace: Furnace, **first: Any) -> list[dict[str, Any]]:
    """Walk a visit into `folder`; its lines. first: more for the journal's first line."""
    plan, ticks = typed_plan(), clock()
    kept = keep(folder, plan, "flame_sensing")
    journal = Journal(folder, lambda: next(ticks))
    opened = opening(plan, visit=folder.name, engine="typed", voice="none", program="twohands test", invented=True)
    journal.write("visit", {**opened, "kept": kept, **first})
    Visit(plan, Hearing(Technician(plan, furnace)), Silent(), journal).run(*begin(plan))
    journal.close()
    events, _ = read(folder)
    assert events[-1]["kind"] == "end"
    return events
