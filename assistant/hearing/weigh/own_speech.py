"""Whether what was heard is what we were saying ourselves.

The canceller takes most of our voice out of the sound; this looks at what is left, with what the program knows: its
own words, when each was spoken, and how much of the sound at that time was its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from grammar.answers import Heard
from grammar.emit import UNKNOWN
from grammar.language import language
from grammar.numbers import read
from grammar.words import plain_words

MOSTLY = 0.5
"""Share of the words heard without a grammar that must be ours, for all of it to be ours."""
OURS_DB = -14.0
"""Sound of which the canceller left less than this was our own voice, whatever words it made. Somebody who is 10 dB
softer than the loudspeaker at the microphone is left with more (`python -m tests.lab interrupt`)."""
ALIKE, ALARM_ALIKE = 0.35, 0.6
"""Sound that is so much like what we played is our own voice that was not taken out. Two voices that say different
things seldom share a quarter; an alarm is refused only where there is no doubt."""
PLAINLY_DB = -6.0
"""Sound of which it left more than this was somebody else's, so that an alarm may hold the very words we say."""


@dataclass(frozen=True)
class Spoken:
    """What we said around an utterance. words: our words at that time. left_db: what the canceller left of the
    sound, dB; 0 where nothing was taken out. share: how much of what was heard is what we played, 0 to 1."""

    words: tuple[str, ...]
    left_db: float = 0.0
    share: float = 0.0


def is_own(heard: Heard, spoken: Spoken, alarm: bool = False) -> bool:
    """Whether `heard` is our own voice. alarm: somebody may be in danger, so that words alone decide less."""
    if spoken.left_db < OURS_DB or spoken.share > (ALARM_ALIKE if alarm else ALIKE):
        return True
    words = said_words(heard.text)
    if not words or not spoken.words:
        return False
    if alarm and spoken.left_db > PLAINLY_DB:
        return False
    ours = set(spoken.words)
    if all(one in ours for one in words):
        return True
    free = said_words(heard.free or "")
    # where any word may follow any, ours come out as they are, and no grammar makes others of them
    others = [one for one in words if one not in ours and one in free]
    return bool(free) and not others and sum(one in ours for one in free) >= MOSTLY * len(free)


def said_words(text: str) -> tuple[str, ...]:
    """The words of a recogniser's text, without what stands for anything else."""
    return tuple(one for one in text.split() if one != UNKNOWN)


def words_between(text: str, key: str, begin: float, end: float) -> tuple[str, ...]:
    """Our words that sound between two shares (0 to 1) of a sentence; each letter is taken to last as long.

    key: the language.
    """
    tokens = re.findall(r"[^\W_]+(?:['’][^\W_]+)*", text)
    total = sum(len(one) + 1 for one in tokens) or 1
    found: list[str] = []
    at = 0
    for token in tokens:
        first, at = at / total, at + len(token) + 1
        if first < end and at / total > begin:
            found += plain_words(token, language(key))
    return tuple(found)


def has_number(words: Iterable[str], key: str) -> bool:
    """Whether any of the words can be part of a number."""
    return any(read((one,), key) for one in words)
