"""Two engines on one utterance, so that a wrong number has to fool both.

PocketSphinx and Vosk rest on other models, made from other speech, and seldom
go wrong in the same way. What the first makes of an utterance comes with what
the second made of it (`Heard.second`); `assistant.hearing.weigh` weighs them.
Vosk gives the partial words, for it is quicker.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assistant.hearing.engines.base import Grammars
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.hearing.engines.vosk_engine import VoskEngine
from grammar.answers import Heard
from grammar.scope import Scope


class PairEngine:
    """An `Engine` out of two."""

    name = "pair"
    eager = False

    def __init__(self, first: SphinxEngine, second: VoskEngine) -> None:
        """Takes both over."""
        self._first, self._second = first, second

    @property
    def description(self) -> str:
        """Both engines."""
        return f"{self._first.description}, together with {self._second.description}"

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
        self._second.begin()

    def hear(self, sound: np.ndarray) -> str:
        """Take the next samples; return the words so far."""
        return self._second.hear(sound)

    def conclude(self, sound: np.ndarray) -> Heard:
        """Decide on the whole utterance, int16 at 16 kHz."""
        second = self._second.conclude(sound)
        return replace(self._first.conclude(sound, second.text), engine=self.name, second=second)

    def close(self) -> None:
        """Free both."""
        self._first.close()
        self._second.close()
