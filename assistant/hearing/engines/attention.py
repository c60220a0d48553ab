"""An attention word in front of every answer, for rooms where others talk.

A wrapper around an engine: the grammar of each scope lets the phrase stand in
front, and an utterance without it is dropped, except for the commands that
need none.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
from pydantic import Field

import grammar.emit
from assistant.errors import EngineError
from assistant.hearing.engines.base import CLOSED, Event, Final, Grammars, Partial, Recognizer
from grammar.answers import Heard
from grammar.datafile import Strict, load_yaml
from grammar.parse import command_in
from grammar.scope import Scope

SETTINGS = Path(__file__).with_name("attention.yaml")


class AttentionSettings(Strict):
    """phrases: language -> attention phrase. without: ids of commands heard without it."""

    version: int = Field(ge=1, le=1)
    phrases: dict[str, str]
    without: tuple[str, ...]


@cache
def settings() -> AttentionSettings:
    """The shipped settings. Raises DataFileError."""
    return load_yaml(SETTINGS, AttentionSettings)


def phrase_of(language: str) -> str:
    """The attention phrase of a language. Raises EngineError."""
    phrases = settings().phrases
    if language not in phrases:
        raise EngineError(f"The language '{language}' has no attention word.", "Add one to attention.yaml.")
    return phrases[language]


class AttentiveGrammars:
    """Grammars with an attention phrase that may stand in front. For the engines."""

    def __init__(self, plain: Grammars = grammar.emit) -> None:
        """plain: the grammars without it."""
        self._plain = plain

    def jsgf(self, scope: Scope) -> str:
        text = self._plain.jsgf(scope)
        rule = re.search(r"^public (<[^>]+>) =", text, re.MULTILINE)
        if rule is None:
            raise EngineError(f"The grammar of '{scope.name}' has no public rule.", "Check the phrases of that step.")
        before = f"public <attention> = [ {phrase_of(scope.language)} ] {rule[1]};\n"
        return text.replace(rule[0], f"{before}{rule[1]} =")

    def phrases(self, scope: Scope) -> list[str]:
        plain = self._plain.phrases(scope)
        spoken = [one for one in plain if one != grammar.emit.UNKNOWN]
        return [*(f"{phrase_of(scope.language)} {one}" for one in spoken), *plain]

    def accepts(self, scope: Scope, text: str) -> bool:
        return self._plain.accepts(scope, without_phrase(text, scope.language)[0])

    def vocabulary(self, scope: Scope) -> frozenset[str]:
        return self._plain.vocabulary(scope) | frozenset(phrase_of(scope.language).split())

    def pronunciations(self, key: str) -> Mapping[str, str]:
        return self._plain.pronunciations(key)


class Attentive:
    """A `Recognizer` that only hears what begins with the attention phrase of its language."""

    def __init__(self, inner: Recognizer, language: str = "en") -> None:
        """Takes `inner` over. Raises EngineError for a language without an attention phrase."""
        self.phrase = phrase_of(language)
        self._inner = inner
        self._scope = CLOSED
        self._without = settings().without
        self.use(grammar.emit)

    @property
    def name(self) -> str:
        return self._inner.name

    @property
    def description(self) -> str:
        return self._inner.description

    @property
    def in_speech(self) -> bool:
        return self._inner.in_speech

    def use(self, grammars: Grammars) -> None:
        """Take grammars from elsewhere from now on, the phrase in front; an open scope is closed."""
        self._inner.use(AttentiveGrammars(grammars))
        self._scope = CLOSED

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar. Raises EngineError."""
        self._inner.open(scope)
        self._scope = scope

    def feed(self, chunk: np.ndarray, whole: np.ndarray | None = None) -> list[Event]:
        """Take int16 samples at 16 kHz; events of addressed utterances only."""
        return self._addressed(self._inner.feed(chunk, whole))

    def finish(self) -> list[Event]:
        """End of input: close an utterance that is still open."""
        return self._addressed(self._inner.finish())

    def close(self) -> None:
        """Free the engine."""
        self._inner.close()

    def _addressed(self, events: list[Event]) -> list[Event]:
        kept: list[Event] = []
        for event in events:
            if isinstance(event, Partial):
                text, called = without_phrase(event.text, self._scope.language)
                kept += [Partial(text)] if called and text else []
            elif isinstance(event, Final):
                heard, called = _stripped(event.heard, self._scope.language)
                if called or self._needs_none(heard):
                    kept.append(replace(event, heard=heard))
            else:
                kept.append(event)
        return kept

    def _needs_none(self, heard: Heard) -> bool:
        """Whether any recogniser heard a command that needs no phrase, such as gas."""
        heard_by = [one for one in (heard, heard.second) if one is not None and one.text]
        commands = [command_in(one.text, self._scope) for one in heard_by]
        return any(command is not None and command.id in self._without for command in commands)


def without_phrase(text: str, language: str) -> tuple[str, bool]:
    """The text behind the attention phrase, and whether the phrase was there."""
    words, phrase = text.split(), phrase_of(language).split()
    if words[: len(phrase)] == phrase:
        return " ".join(words[len(phrase) :]), True
    return text, False


def _stripped(heard: Heard, language: str) -> tuple[Heard, bool]:
    text, called = without_phrase(heard.text, language)
    if not called:
        return heard, False
    summed: dict[str, float] = {}
    for one, confidence in heard.alternatives:
        plain = without_phrase(one, language)[0]
        summed[plain] = summed.get(plain, 0.0) + confidence
    words = heard.words[len(heard.words) - len(text.split()) :]
    second = _stripped(heard.second, language)[0] if heard.second is not None else None
    return replace(heard, text=text, words=words, alternatives=tuple(summed.items()), second=second), True
