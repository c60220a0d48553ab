"""Rebuild where a visit stood from its journal, by walking the answers through the dialogue again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from assistant.answers_json import from_data
from assistant.errors import JournalError
from assistant.journal import Event
from flows.compile import Plan
from flows.dialogue import advance, begin
from flows.session import Effect, Resumed, Save, Session

KEPT = ("reading", "verdict", "choice", "power", "jumper", "skipped", "retaken", "alarm", "alarm_over", "assessment", "end")
"""Kinds of lines that the dialogue itself has written."""


@dataclass(frozen=True)
class Standing:
    """Where the visit stood. unsaved: lines that a sudden end kept from the disk."""

    session: Session
    unsaved: tuple[Save, ...]


def standing(plan: Plan, events: Sequence[Event]) -> Standing:
    """Walk the answers of a journal. Raises JournalError when it belongs to another procedure."""
    opening = events[0] if events else {}
    if opening.get("kind") != "visit":
        raise JournalError("The journal does not begin with a visit.", "Start a new visit.")
    wanted = (plan.procedure.id, plan.procedure.version, plan.equipment.id, plan.meter.id)
    was = tuple(opening.get(key) for key in ("procedure", "procedure_version", "equipment", "meter"))
    if was != wanted:
        raise JournalError(f"That visit was begun with {was[0]} version {was[1]} on {was[2]}.", "Resume it with the same procedure, equipment and meter, or start a new visit.")
    session, effects = begin(plan)
    saves = _saves(effects)
    for event in events:
        if event["kind"] == "heard":
            session, effects = advance(plan, session, from_data(event["answer"]))
        elif event["kind"] == "resumed":
            session, effects = advance(plan, session, Resumed())
        else:
            continue
        saves += _saves(effects)
    written = sum(event["kind"] in KEPT for event in events)
    return Standing(session, tuple(saves[written:]))


def _saves(effects: Sequence[Effect]) -> list[Save]:
    return [effect for effect in effects if isinstance(effect, Save) and effect.kind in KEPT]
