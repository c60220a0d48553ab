"""Rebuild where a visit stood from its journal, by walking the answers through the dialogue again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from assistant.errors import JournalError
from assistant.visit.answers import from_data, plain
from assistant.visit.journal import Event
from flows.procedure.compile import Plan
from flows.procedure.session import Cut, Effect, Resumed, Save, Session
from flows.talk.dialogue import advance, begin

SHELL = ("visit", "details", "heard", "said", "memo", "resumed", "interrupted", "trouble", "cut", "talked_over")
"""Kinds of lines that the shell writes (trouble: mostly); all others come from the dialogue, and are written again
after a sudden end."""


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
        raise JournalError(
            f"That visit was begun with {was[0]} version {was[1]} on {was[2]}.",
            "Resume it with the same procedure, equipment and meter, or start a new visit.",
        )
    session, effects = begin(plan)
    saves = _saves(effects)
    for event in events:
        if event["kind"] == "heard":
            session, effects = advance(plan, session, from_data(event.get("answer") or {}))
        elif event["kind"] == "resumed":
            session, effects = advance(plan, session, Resumed())
        elif event["kind"] == "cut":
            session, effects = advance(plan, session, Cut(tuple(event.get("lines") or ())))
        else:
            continue
        saves += _saves(effects)
    written = [event for event in events if _of_dialogue(event["kind"], event)]
    for save, event in zip(saves, written, strict=False):
        if save.kind != event["kind"] or any(
            plain(save.data.get(key)) != event.get(key) for key in SAME if key in event
        ):
            raise JournalError(
                f"The record of that visit cannot be walked through again: line {event.get('seq')} is not what this"
                " program would have written.",
                "Start a new visit; the readings so far stay in the record.",
            )
    if len(written) > len(saves):
        raise JournalError(
            "The record of that visit holds more than its answers lead to.",
            "Start a new visit; the readings so far stay in the record.",
        )
    return Standing(session, tuple(saves[len(written) :]))


SAME = ("step", "probe", "value", "outcome", "state", "choice", "thing", "to", "finding", "stands")
"""What must come out the same when the answers are walked again; texts may have changed with the program."""


def _of_dialogue(kind: str, data: Mapping[str, Any]) -> bool:
    return kind not in SHELL or (kind == "trouble" and data.get("what") == "left")


def _saves(effects: Sequence[Effect]) -> list[Save]:
    return [effect for effect in effects if isinstance(effect, Save) and _of_dialogue(effect.kind, effect.data)]
