"""Typed lines under fuzz: bytes, the grammar, the dialogue in every state it comes to.

Before most lines the dialogue is given an honest answer to what it asks, or it
would stay for ever where the first odd line led it: in an alarm, in a pause, in
a note.
"""

from __future__ import annotations

import functools
import io
import random
import zlib
from collections import Counter
from dataclasses import replace

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan
from flows.procedure.session import Session
from flows.talk.dialogue import advance, begin
from flows.talk.prompts import scope_for
from grammar.answers import Heard, Unclear
from grammar.parse import understand
from grammar.scope import Scope

GOOD = {
    "supply_hot_neutral": "121.3",
    "supply_hot_ground": "121",
    "supply_neutral_ground": "0.2",
    "secondary_r_c": "28",
    "line_to_r": "149.2",
    "rod_to_ground": "97",
    "known_live_before": "120.8",
    "known_live_after": "120.7",
    "leads_together": "0.2",
    "ground_path": "0.5",
    "flame_current": "4.2",
}
"""What a good furnace shows; all else shows zero."""
ODD = ("over limit", "0", "0.7", "12", "28", "97", "121.3", "149", "240", "1.2 megohms", "9 kilohms", "between 2 and 3")
HONEST = (0, 1, 1, 2, 4)
"""So many honest answers before a line."""
GOOD_SHARE, WAY_ON = 0.85, 0.9
"""How many readings are good, and how many choices lead on."""


@functools.cache
def dialogue() -> tuple[Plan, Session]:
    plan = replace(load_plan("flame_sensing", equipment("larkspur"), meter("dunlin")), assess=None)
    return plan, begin(plan)[0]


TALK: list[Session] = []
"""Where the dialogue of the fuzz stands; it goes on from input to input."""
TRAIL: list[str] = []
"""The lines since its beginning, so that a find can be walked to again."""
SEEN: Counter[tuple[str, str]] = Counter()
"""How many lines were fed at each step and in each mode."""


def typed_seeds() -> list[bytes]:
    return [
        line.encode()
        for line in (
            "the air is clear",
            "i am ready",
            "121.3",
            "yes",
            "no",
            "one two one point three",
            "no nine three",
            "over limit",
            "28.4 volts",
            "point five ohms",
            "take a note",
            "end note",
            "i smell gas",
            "that was a false alarm",
            "say again",
            "slower",
            "why",
            "where do the leads go",
            "go back",
            "change that",
            "what have i got so far",
            "pause",
            "continue",
            "help",
            "stop",
            "next check please",
            "once more please",
            "fix it now",
            "take that test",
            "twelve hundred",
            "minus four",
            "nine six point four",
            "24,6",
            "1,200",
            "I opened the switch",
            "everything is shut down",
        )
    ]


def feed_typed(raw: bytes) -> bool:
    from assistant.visit.typed import TypedLines

    plan, _ = dialogue()
    line = TypedLines(io.BytesIO(raw)).readline()
    if not line:
        return False
    text = line.strip()
    assert len(text) <= 500 and "\n" not in text
    chance = random.Random(zlib.crc32(raw))
    try:
        for _ in range(chance.choice(HONEST) if _now().mode != "alarm" else max(HONEST)):
            _said(plan, honest(plan, _now(), chance))
        now = _now()
        SEEN[now.step, now.mode] += 1
        return _said(plan, text)
    except Exception as error:
        error.add_note(f"after the lines {TRAIL}")
        TALK.clear()
        raise


def typed_tally() -> str:
    steps, modes = {step for step, _ in SEEN}, Counter[str]()
    for (_, mode), count in SEEN.items():
        modes[mode] += count
    return f"lines at {len(steps)} steps of {len(dialogue()[0].procedure.steps)}, in the modes {dict(modes)}"


def _now() -> Session:
    if not TALK or TALK[0].mode == "ended":
        TALK[:] = [dialogue()[1]]
        TRAIL.clear()
    return TALK[0]


def _said(plan: Plan, text: str) -> bool:
    """One line into the dialogue; whether it was understood."""
    now = _now()
    TRAIL.append(text)
    answer = understand(Heard(text, 1.0, alternatives=((text, 1.0),)), scope_for(plan, now))
    session, _ = advance(plan, now, answer)
    TALK[:] = [session]
    return not isinstance(answer, Unclear)


def honest(plan: Plan, now: Session, chance: random.Random) -> str:
    """Something that a person may say where the dialogue stands, mostly what leads on."""
    scope: Scope = scope_for(plan, now)
    ask = plan.step(now.step).ask
    if now.mode == "memo":
        return "end note"
    if now.mode == "paused":
        return "continue"
    if now.mode == "offer" and chance.random() < WAY_ON:
        return "next check please"
    if now.mode == "confirm" and chance.random() < WAY_ON:
        return "yes"
    if scope.asked is not None and ask is not None:
        return GOOD.get(ask.probe, "0") if chance.random() < GOOD_SHARE else chance.choice(ODD)
    if not scope.options:
        return "yes"
    first = scope.options[0] if chance.random() < WAY_ON else chance.choice(scope.options)
    return chance.choice(first.phrases)
