"""Where answers come from: a keyboard, or a recogniser on a stream of sound."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from assistant.hearing.audio.played import Cleaned
from assistant.hearing.engines.base import Final, Partial, Recognizer, some_words
from assistant.visit.typed import Lines
from grammar.answers import Heard
from grammar.scope import Scope

BRIEF = 0.35
"""Seconds; a shorter utterance without words is a knock, not an answer (common practice)."""


class TypedEars:
    """Lines from a keyboard, through the same grammar as speech."""

    def __init__(self, lines: Lines, prompt: Callable[[Scope], None] | None = None) -> None:
        self._lines = lines
        self._prompt = prompt

    def hear(self, scope: Scope) -> Final | None:
        if self._prompt:
            self._prompt(scope)
        line = self._lines.readline()
        if not line:
            return None
        text = line.strip()
        return Final(Heard(text, 1.0, alternatives=((text, 1.0),)), np.zeros(0, np.int16))

    def reopen(self) -> bool:
        return False


class StreamEars:
    """A recogniser on chunks of sound: a live microphone or a whole file.

    source: called for each utterance, gives an iterator of int16 chunks at
    16 kHz, or of what is left of them without our voice, that ends when
    nothing more can come. again: gets a lost device back.
    """

    def __init__(
        self,
        recognizer: Recognizer,
        source: Callable[[], Iterator[np.ndarray | Cleaned]],
        again: Callable[[], bool] = lambda: False,
        on_partial: Callable[[str], None] | None = None,
    ) -> None:
        self._recognizer = recognizer
        self._source = source
        self._again = again
        self._on_partial = on_partial

    def hear(self, scope: Scope) -> Final | None:
        self._recognizer.open(scope)
        for chunk in self._source():
            sound = (chunk.others, chunk.whole) if isinstance(chunk, Cleaned) else (chunk,)
            final = self._first_final(self._recognizer.feed(*sound))
            if final is not None:
                return final
        return self._first_final(self._recognizer.finish())

    def reopen(self) -> bool:
        return self._again()

    def _first_final(self, events: list) -> Final | None:
        for event in events:
            if isinstance(event, Partial) and self._on_partial:
                self._on_partial(event.text)
            if isinstance(event, Final) and (some_words(event.heard) or event.heard.seconds >= BRIEF):
                return event
        return None
