"""What was heard, and what it means. Plain frozen records, no behaviour."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Word:
    """One heard word. start, end: seconds from the start of the utterance."""

    text: str
    confidence: float
    start: float = 0.0
    end: float = 0.0


@dataclass(frozen=True)
class Heard:
    """What an engine made of one utterance.

    text: words joined by single spaces, lower case; "" when nothing was heard.
    confidence: 0 to 1, the engine's own, comparable only within one engine.
    alternatives: up to 5 (text, confidence) pairs, best first, the first being `text`.
    seconds: length of the utterance. level_db: its loudness above the room, or None.
    second: what another recogniser made of the same sound, or the same one when it listened again.
    free: the words heard where any word may follow any other, or None where nobody listened so.
    """

    text: str
    confidence: float = 1.0
    words: tuple[Word, ...] = ()
    alternatives: tuple[tuple[str, float], ...] = ()
    seconds: float = 0.0
    level_db: float | None = None
    engine: str = "typed"
    second: Heard | None = None
    free: str | None = None


@dataclass(frozen=True)
class Reading:
    """A value as the technician spoke it, in SI.

    value: SI; for a range, its middle; for an over-limit display, infinity.
    low, high: the ends of a range ("jumping between"), else both `value`.
    step: the resolution spoken, SI ("7.413 volts" -> 0.001).
    quantity: the quantity it was spoken as. unit: unit spoken, or the asked one.
    unit_spoken: whether a unit was said at all.
    over_limit: the display showed its out-of-range sign.
    text: the words it was made from. digits: the digits as written, "7.413".
    sounds_like: for teens and tens, the value it could be mistaken for (SI), or None.
    """

    value: float
    low: float
    high: float
    step: float
    quantity: str
    unit: str
    unit_spoken: bool
    over_limit: bool
    text: str
    digits: str
    sounds_like: float | None = None


@dataclass(frozen=True)
class Command:
    """An always-open word, such as "repeat" or "gas". text: the words heard."""

    id: str
    text: str


@dataclass(frozen=True)
class Choice:
    """An answer in words. correction: a reading spoken with it ("no, seven point four one three")."""

    id: str
    text: str
    correction: Reading | None = None


@dataclass(frozen=True)
class Unclear:
    """No answer could be made. reason says why, so that the dialogue can say so.

    reason: "nothing" (silence or noise), "not_open" (words not open here),
    "out_of_range" (heard, but the display cannot show it), "wrong_unit"
    (another quantity), "too_fine" (more digits than the display has),
    "doubtful" (too little confidence).
    reading: what was understood, where anything was; of something doubtful, the
        likeliest, where it is likely enough to count when it is heard again.
    between: two or more readings it may have been, for "X or Y?".
    weak: of something doubtful, the likeliest reading, however unlikely; worth a read-back where it is heard often.
    """

    reason: str
    text: str
    reading: Reading | None = None
    between: tuple[Reading, ...] = ()
    weak: Reading | None = None


Answer = Reading | Command | Choice | Unclear


def meaning(answer: Answer) -> object:
    """What an answer says, in whatever words: equal for two answers that say the same."""
    if isinstance(answer, Reading):
        return ("reading", round(answer.low, 12), round(answer.high, 12), answer.over_limit, answer.quantity)
    if isinstance(answer, Choice):
        return ("choice", answer.id, meaning(answer.correction) if answer.correction else None)
    if isinstance(answer, Command):
        return ("command", answer.id)
    return ("unclear",)
