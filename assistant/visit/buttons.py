"""Answers by keys, where nothing can hear the language that is spoken.

The keys are few: digits for a reading or for one of several answers, one key each for
yes and no. What is typed otherwise goes through the same grammar as speech; accents
may be left out.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np

from assistant.hearing.engines.base import Final
from assistant.visit.typed import Lines
from flows.talk.prompts import SAID_FOR
from grammar.answers import Heard
from grammar.datafile import Strict, load_yaml
from grammar.emit import vocabulary
from grammar.language import Language, language
from grammar.scope import Scope

LETTERS = "abcdefgh"
YES, NO = "yes", "no"
OUTSPOKEN = ("false_alarm", "air_clear")
"""Answers that have no key."""


class Said(Strict):
    """unheard: told at the start; keys: the prompt before each answer; reading: what stands there for a number.

    whole: what stands there for an answer that is typed out.
    """

    unheard: str
    keys: str
    reading: str
    whole: str


class Buttons(Strict):
    """The prompts by language."""

    format: Literal[1]
    said: dict[str, Said]


@lru_cache
def buttons() -> Buttons:
    """The prompts that ship. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("buttons.yaml"), Buttons)


def told_at_start(key: str) -> str:
    """That nothing can hear the language, and how to answer; in that language."""
    data = buttons().said
    return (data.get(key) or data["en"]).unheard


class ButtonEars:
    """Ears of a keyboard. lines: what is typed; out: where the keys are shown before each answer, None for nowhere."""

    def __init__(self, lines: Lines, out: Callable[[str], None] | None = None) -> None:
        self._lines = lines
        self._out = out

    def hear(self, scope: Scope) -> Final | None:
        keys = keys_of(scope)
        if self._out:
            self._out(shown(scope, keys))
        line = self._lines.readline()
        if not line:
            return None
        typed = line.strip()
        text = keys.get(typed.lower()) or with_accents(typed, scope)
        return Final(Heard(text, 1.0, alternatives=((text, 1.0),)), np.zeros(0, np.int16))

    def reopen(self) -> bool:
        return False


def keys_of(scope: Scope) -> dict[str, str]:
    """Key -> phrase of every answer in words that is open.

    Yes and no have the first typed form of the language ("s", "n" in Spanish). Where
    no is open without yes, an answer is being asked for the second time: its key is then
    yes, so that the second key is another than the first. Other answers have digits, or
    letters where digits are a reading. What ends a gas alarm has no key: it is typed out, so that no habit
    clears it. A question for an earlier reading has none either.
    """
    lang = language(scope.language)
    found: dict[str, str] = {}
    names = iter(LETTERS if scope.asked else "123456789")
    ids = {option.id for option in scope.options}
    twice = NO in ids and YES not in ids
    for option in scope.options:
        if option.id in OUTSPOKEN or option.id.startswith(SAID_FOR):
            continue
        if option.id in (YES, NO):
            found[key_of(option.id, lang)] = option.phrases[0]
        elif twice:
            found[key_of(YES, lang)] = option.phrases[0]
        else:
            found[next(names)] = option.phrases[0]
    return found


def key_of(answer: str, lang: Language) -> str:
    """The key of yes or no."""
    return next(iter(lang.typed_options[answer]), answer[0])


def shown(scope: Scope, keys: dict[str, str]) -> str:
    """The prompt: each key with its answer, and whether a number may be typed."""
    data = buttons().said
    said = data.get(scope.language) or data["en"]
    parts = [f"{key} = {phrase}" for key, phrase in keys.items()]
    parts += [said.whole.format(phrase=option.phrases[0]) for option in scope.options if option.id in OUTSPOKEN]
    if scope.asked:
        parts.insert(0, said.reading.format(unit=language(scope.language).units[scope.asked.unit].many))
    return said.keys.format(keys="; ".join(parts) or "-")


def with_accents(text: str, scope: Scope) -> str:
    """The text with the accents that its words have in the scope: "abri" is "abrí"."""
    lang = language(scope.language)
    known = set(vocabulary(scope))
    for said in (*lang.commands.values(), lang.over_limit):
        known |= {word for phrase in (*said.spoken, *said.typed) for word in phrase.split()}
    known |= {word for phrases in lang.typed_options.values() for phrase in phrases for word in phrase.split()}
    bare = {_bare(word): word for word in sorted(known)}
    return " ".join(word if word.lower() in known else bare.get(_bare(word.lower()), word) for word in text.split())


def _bare(word: str) -> str:
    """Without acute accents and diaereses; the tilde of ñ stays."""
    return unicodedata.normalize(
        "NFC", "".join(letter for letter in unicodedata.normalize("NFD", word) if letter not in "\u0301\u0308")
    )
