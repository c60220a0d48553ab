"""What happened in a visit beside its readings: warnings, cautions, memos, and the proofs that the power was off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from assistant.records.findings import out_of_place
from assistant.report.numbers import number, shown

Event = dict[str, Any]
VOLTS = ("ac_volts", "dc_volts")
POWER = {
    "dead": "proven off",
    "doubt": "off before a break, and not proven off since",
    "said_off": "said to be off, and not proven off",
}


class Line(dict[str, Any]):
    """A journal line for a page: a field that it lacks is none, for no line must have all that a page shows."""

    def __missing__(self, name: str) -> None:
        return None


@dataclass(frozen=True)
class Memo:
    """A voice memo. file: inside the visit's folder, or None when no sound was kept. text: what the grammar heard of
    it."""

    file: str | None
    seconds: float
    step: str
    text: str


@dataclass(frozen=True)
class Proof:
    """One try to prove that the power is off.

    cells: a reading with its outcome for each step, in the order of `proof_steps`, None for one not taken. at: when
    each was taken, as in the journal, "" for one not taken. held: whether it came to its end.
    """

    cells: tuple[tuple[str, str] | None, ...]
    at: tuple[str, ...]
    held: bool


def proof_steps(events: list[Event]) -> dict[str, str]:
    """Step to title of the readings that prove the power off: volts that were read while it was said to be off."""
    found: dict[str, str] = {}
    for one in events:
        if one.get("kind") == "reading" and one.get("power") in ("said_off", "doubt") and one.get("quantity") in VOLTS:
            found.setdefault(str(one.get("step")), str(one.get("check_title") or one.get("step")))
    return found


def proofs(events: list[Event]) -> tuple[Proof, ...]:
    """Every try, in order."""
    steps, found = proof_steps(events), []
    taken: dict[str, tuple[str, str]] = {}
    at: dict[str, str] = {}
    last = ""

    def close(held: bool) -> None:
        if taken:
            found.append(
                Proof(tuple(taken.get(step) for step in steps), tuple(at.get(step, "") for step in steps), held)
            )
        taken.clear()
        at.clear()

    for one in events:
        kind, step = one.get("kind"), str(one.get("step"))
        if kind == "reading" and step in steps:
            if step in taken:
                close(False)
            taken[step] = (shown(one.get("value"), str(one.get("quantity"))), "")
            at[step], last = str(one.get("at") or ""), step
        elif kind == "verdict" and step == last and step in taken:
            taken[step] = (taken[step][0], str(one.get("outcome") or ""))
        elif kind == "power":
            close(one.get("state") == "dead")
    close(False)
    return tuple(found)


def cautions(events: list[Event]) -> tuple[str, ...]:
    """Each caution once, as it was first said: in full; the short forms come later."""
    first: dict[str, str] = {}
    for one in events:
        if one.get("kind") == "said" and one.get("role") == "caution":
            first.setdefault(str(one.get("line") or one.get("text")), str(one.get("text")))
    return tuple(dict.fromkeys(first.values()))


def warnings(events: list[Event]) -> tuple[str, ...]:
    """What somebody has to know before anything else: gas, troubles, what is out of place, and power that is off."""
    found = []
    for place, one in enumerate(events):
        if one.get("kind") == "alarm":
            over = any(later.get("kind") == "alarm_over" for later in events[place:])
            then = "It was called a false alarm, and the air clear." if over else "The visit ended there."
            where = f" at the step “{str(one['step']).replace('_', ' ')}”" if one.get("step") else ""
            found.append(f"Gas was smelled{where}. {then}")
        if one.get("kind") == "trouble":
            found.append(f"{one.get('problem') or ''} {one.get('remedy') or ''}".strip())
    found += [f"At the end this was still in place: {one.words}. It must come off." for one in out_of_place(events)]
    ended = events[-1] if events[-1].get("kind") == "end" else {}
    power = next((one for one in reversed(events) if one.get("kind") == "power"), {})
    state = ended.get("power") or power.get("state")
    if state and state != "on":
        found.append(f"When the visit ended the power was {POWER.get(str(state), POWER['said_off'])}.")
    return tuple(found)


def memos(events: list[Event]) -> tuple[Memo, ...]:
    """Memos with the words that the grammar heard while each was recorded."""
    found: list[Memo] = []
    words: list[str] = []
    for one in events:
        if one.get("kind") == "said" and one.get("line") == "memo_start":
            words = []
        elif (
            one.get("kind") == "heard"
            and str(one.get("scope", "")).endswith("/memo")
            and (one.get("answer") or {}).get("id") != "end_note"
        ):
            words.append(str(one.get("text") or ""))
        elif one.get("kind") == "memo":
            text = str(one.get("text") or "") or " ".join(word for word in words if word)
            seconds = number(one.get("seconds"))
            found.append(
                Memo(
                    one.get("file") if isinstance(one.get("file"), str) else None,
                    seconds if math.isfinite(seconds) else 0.0,
                    str(one.get("step") or "").replace("_", " "),
                    text,
                )
            )
            words = []
    return tuple(found)
