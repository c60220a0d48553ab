"""The one recogniser: cut the stream into utterances, let an engine decode them, give events."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assistant.errors import EngineError
from assistant.hearing.audio.endpoint import Began, Ended, Endpointer, EndpointSettings, Paused, Piece
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Engine, Event, Final, Grammars, Partial, SpeechStarted
from grammar.answers import Heard
from grammar.scope import Scope


class Listener:
    """A `Recognizer` on any engine.

    What an eager engine decides at a pause is the result where nothing more comes.
    """

    def __init__(self, engine: Engine, settings: EndpointSettings | None = None, partials: bool = True) -> None:
        """Takes `engine` over. partials: whether words are asked for while somebody speaks; the finals are the same."""
        self.engine = engine
        self.endpointer = Endpointer(settings)
        self._partials = partials
        self._partial = ""
        self._early: Heard | None = None
        self._opened = self._closed = False

    @property
    def name(self) -> str:
        return self.engine.name

    @property
    def description(self) -> str:
        return self.engine.description

    @property
    def in_speech(self) -> bool:
        return self.endpointer.in_speech

    def use(self, grammars: Grammars) -> None:
        """Take grammars from elsewhere from now on; an open scope is closed."""
        self._opened = False
        self._drop()
        self.engine.use(grammars)

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar; a half-heard utterance is dropped. Raises EngineError."""
        if self._closed:
            raise EngineError("The recogniser was closed.", "Start a new one.")
        self._opened = False
        self._drop()
        self.engine.open(scope)
        self._opened = True

    def feed(self, chunk: np.ndarray, whole: np.ndarray | None = None) -> list[Event]:
        """Take any number of int16 samples at 16 kHz; return what happened, oldest first. Raises EngineError."""
        if not self._opened:
            raise EngineError("The recogniser has no grammar yet.", "Open a scope before feeding sound.")
        return self._events(self.endpointer.push(chunk, whole))

    def finish(self) -> list[Event]:
        """End of input: close an utterance that is still open."""
        return self._events(self.endpointer.flush()) if self._opened else []

    def close(self) -> None:
        """Free the engine."""
        self._opened, self._closed = False, True
        self.engine.close()

    def _drop(self) -> None:
        self.endpointer.drop()
        self._partial = ""
        self._early = None

    def _events(self, pieces: list[Piece]) -> list[Event]:
        events: list[Event] = []
        for piece in pieces:
            if isinstance(piece, Paused):
                self._early = self.engine.conclude(piece.sound) if self.engine.eager else None
                continue
            if isinstance(piece, Ended):
                heard = self._early if piece.after_pause and self._early else self.engine.conclude(piece.sound)
                self._early = None
                heard = replace(heard, seconds=len(piece.sound) / SAMPLE_RATE, level_db=piece.level_db)
                events.append(Final(heard, piece.sound))
                self._partial = ""
                continue
            if isinstance(piece, Began):
                if self._partials:
                    self.engine.begin()
                events.append(SpeechStarted(piece.at))
            text = self.engine.hear(piece.sound) if self._partials else ""
            if text and text != self._partial:
                self._partial = text
                events.append(Partial(text))
        return events
