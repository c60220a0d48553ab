"""Asks for the details of a visit at a keyboard, before it begins.

All of them may be left out. A number is typed, never guessed: it is read back
character by character and stands only once it was agreed to.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np

from assistant.hearing.engines.base import Final
from assistant.visit.buttons import key_of
from assistant.visit.details import MOST, NAMES, NUMBERS, OWN, Details, writable
from assistant.visit.loop import Ears
from assistant.visit.typed import Lines
from grammar.answers import Command, Heard
from grammar.datafile import Strict, load_yaml
from grammar.language import language
from grammar.parse import understand
from grammar.scope import Scope

GAS = "gas"


class Spoken(Strict):
    """The words of one language where details are asked for by voice; ask_details.yaml says what each is for."""

    offer: str
    ask: dict[str, str]
    back: str
    whole: str
    more: str
    again: str
    anew: str
    left: str
    skip: tuple[str, ...]
    done: tuple[str, ...]


class Said(Strict):
    """The words of one language; ask_details.yaml says what each is for."""

    offer: str
    ask: dict[str, str]
    back: str
    again: str
    cannot: str
    kept: str
    given: str
    names: dict[str, str]
    signs: dict[str, str]
    not_spoken: str = ""
    spoken: Spoken | None = None


class Words(Strict):
    """The words by language."""

    format: Literal[1]
    said: dict[str, Said]


@lru_cache
def words() -> Words:
    """The words that ship. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("ask_details.yaml"), Words)


def said(key: str) -> Said:
    """The words of a language, English where it has none."""
    data = words().said
    return data.get(key) or data["en"]


def characters(name: str, text: str, key: str) -> str:
    """What is read back, in the language `key`: a number by its characters, each told apart from its likes."""
    signs = said(key).signs
    return ", ".join(signs.get(one, one) for one in text) if name in NUMBERS else text


class Typed:
    """Asks at a keyboard. lines: what is typed. out: where questions are shown. key: the language."""

    def __init__(self, lines: Lines, out: Callable[[str], None], key: str) -> None:
        self._lines, self._out, self._key = lines, out, key
        self._said = said(key)
        yes, no = (key_of(one, language(key)) for one in ("yes", "no"))
        self._keys = {"yes": yes, "no": no}
        self.alarm = ""
        """The words of a gas alarm, which ends the asking; they belong into the visit."""

    def ask(self, known: Details) -> Details:
        """What was given, with `known` before it. Nothing is asked twice, and Enter leaves out what was asked."""
        wanted = [name for name in NAMES if name not in known.given]
        if not set(wanted) - set(OWN) or not self._agreed(self._said.offer.format(**self._keys)):
            return known
        for name in wanted:
            if text := self._one(name):
                back = (*known.read_back, *([name] if name in NUMBERS else ()))
                known = replace(known, given={**known.given, name: text}, read_back=back)
            if self.alarm:
                break
        return known

    def _one(self, name: str) -> str:
        """One of them, agreed to; "" for none."""
        question = self._said.ask[name]
        while line := self._typed(question):
            text = writable(line)
            if text is None:
                self._out(self._said.cannot.format(most=MOST))
                continue
            if name not in NUMBERS:
                return text
            if self._agreed(self._said.back.format(characters=characters(name, text, self._key), **self._keys)):
                return text
            question = self._said.again
            if self.alarm:
                break
        return ""

    def _agreed(self, question: str) -> bool:
        """Whether the answer is yes; all else, and no answer, is no."""
        answer = self._typed(question).lower()
        return answer in (self._keys["yes"], *language(self._key).typed_options["yes"])

    def _typed(self, question: str) -> str:
        self._out(question)
        line = self._lines.readline().strip()
        scope = Scope("details/ask", commands=(GAS,), language=self._key)
        heard = understand(Heard(line, 1.0, alternatives=((line, 1.0),)), scope)
        if line.lower() == GAS or (isinstance(heard, Command) and heard.id == GAS):
            self.alarm = heard.text if isinstance(heard, Command) else language(self._key).commands[GAS].spoken[0]
            return ""
        return line


@dataclass
class WordsFirst:
    """Ears that hear `text` first, then what the others hear."""

    text: str
    ears: Ears

    def hear(self, scope: Scope) -> Final | None:
        if self.text:
            text, self.text = self.text, ""
            return Final(Heard(text, 1.0, alternatives=((text, 1.0),)), np.zeros(0, np.int16))
        return self.ears.hear(scope)

    def reopen(self) -> bool:
        return self.ears.reopen()


def at_a_terminal() -> bool:
    """Whether somebody can be asked."""
    return sys.stdin.isatty()
