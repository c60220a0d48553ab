"""Two small models on one utterance, so that a wrong number has to fool both.

One heard people in training, the other synthetic voices alone; they seldom go
wrong in the same way. The first decides and listens without the grammar too;
what the second makes of the utterance comes along as `Heard.second`. Both hear
the same first look, side by side.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np

from assistant.hearing.engines.base import Grammars
from assistant.hearing.engines.vosk_engine import VoskEngine
from grammar.answers import Heard
from grammar.scope import Scope

TWO = "twohands-two"
"""What both together are weighed as."""


class TwoEngine:
    """An `Engine` out of two models in one look each."""

    name = TWO
    eager = True

    def __init__(self, first: VoskEngine, second: VoskEngine) -> None:
        """Takes both over."""
        self._first, self._second = first, second
        self._thread = ThreadPoolExecutor(1)

    @property
    def folder(self) -> Path:
        """Where the first model lies."""
        return self._first.folder

    @property
    def description(self) -> str:
        """Both models."""
        return f"{self._first.description}, together with {self._second.folder.name}"

    def missing(self, words: frozenset[str], language: str) -> list[str]:
        """Those of `words` that one of the models has neither as they are nor respelt."""
        return sorted({*self._first.missing(words, language), *self._second.missing(words, language)})

    def use(self, grammars: Grammars) -> None:
        """Take grammars from elsewhere from now on."""
        self._first.use(grammars)
        self._second.use(grammars)

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar of both. Raises EngineError."""
        self._first.open(scope)
        self._second.open(scope)

    def begin(self) -> None:
        """A new utterance; a half-heard one is dropped."""
        self._first.begin()

    def hear(self, sound: np.ndarray) -> str:
        """Take the next samples; return the words so far."""
        return self._first.hear(sound)

    def conclude(self, sound: np.ndarray) -> Heard:
        """Decide on the whole utterance, int16 at 16 kHz."""
        second = self._thread.submit(self._second.conclude, sound)
        return replace(self._first.conclude(sound), engine=self.name, second=second.result())

    def close(self) -> None:
        """Free both."""
        self._thread.shutdown()
        self._first.close()
        self._second.close()
