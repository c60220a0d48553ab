"""Two recognisers on one microphone, so that a wrong number has to fool both.

PocketSphinx and Vosk rest on other models, made from other speech, and seldom
go wrong in the same way. What the first makes of an utterance comes with what
the second made of it (`Heard.second`); `assistant.hearing` weighs them. Vosk
gives the partial words, for it is quicker.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np

from assistant.errors import EngineError
from assistant.hearing.audio.endpoint import EndpointSettings
from assistant.hearing.engines.base import Event
from assistant.hearing.engines.listening import Listener
from assistant.hearing.engines.sphinx import Grammars, SphinxRecognizer
from assistant.hearing.engines.vosk_engine import Phrases, VoskRecognizer
from grammar.answers import Heard
from grammar.scope import Scope


class Both(Grammars, Phrases, Protocol):
    """Grammars for both engines; the module `grammar.emit` is one."""


class PairRecognizer:
    """A `Recognizer` out of two."""

    name = "pair"
    eager = False

    def __init__(self, first: SphinxRecognizer, second: VoskRecognizer, endpoint: EndpointSettings | None = None) -> None:
        """Takes both over."""
        self._first, self._second = first, second
        self._opened = False
        self._listener = Listener(self, endpoint)

    @property
    def description(self) -> str:
        """For the record and `check`: both engines."""
        return f"{self._first.description}, together with {self._second.description}"

    @property
    def room_dbfs(self) -> float | None:
        """Level of the room, dB below full scale; None when not heard yet."""
        return self._listener.endpointer.room_dbfs

    def use(self, grammars: Both) -> None:
        """Take grammars from elsewhere from now on; an open scope is closed."""
        self._first.use(grammars)
        self._second.use(grammars)
        self._opened = False

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar. Raises EngineError."""
        self._listener.drop()
        self._first.open(scope)
        self._second.open(scope)
        self._opened = True

    def feed(self, chunk: np.ndarray) -> list[Event]:
        """Take int16 samples at 16 kHz, shape (n,). Raises EngineError."""
        if not self._opened:
            raise EngineError("The recogniser has no grammar yet.", "Open a scope before feeding sound.")
        return self._listener.feed(chunk)

    def finish(self) -> list[Event]:
        """End of input: close an utterance that is still open."""
        return self._listener.finish() if self._opened else []

    def close(self) -> None:
        """Free both."""
        self._opened = False
        self._first.close()
        self._second.close()

    # what `Listener` asks for

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
