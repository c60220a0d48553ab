"""The part of a recogniser that all engines share: cut the stream, ask the decoder, give events."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np

from assistant.hearing.audio.endpoint import Began, Ended, Endpointer, EndpointSettings, Paused, Piece
from assistant.hearing.engines.base import SAMPLE_RATE, Event, Final, Partial, SpeechStarted
from grammar.answers import Heard


class Decoder(Protocol):
    """Words out of one utterance at a time.

    eager: whether it is quick enough to decide at every pause, while the endpointer still waits for more.
    """

    eager: bool

    def begin(self) -> None:
        """A new utterance; a half-heard one is dropped."""

    def hear(self, sound: np.ndarray) -> str:
        """Take the next samples; return the words so far."""

    def conclude(self, sound: np.ndarray) -> Heard:
        """Decide on the whole utterance `sound`."""


class Listener:
    """Feeds one decoder with the utterances of one stream.

    What an eager decoder decides at a pause is the result where nothing more comes.
    """

    def __init__(self, decoder: Decoder, settings: EndpointSettings | None = None) -> None:
        self._decoder = decoder
        self.endpointer = Endpointer(settings)
        self._partial = ""
        self._early: Heard | None = None

    def drop(self) -> None:
        """Forget a half-heard utterance."""
        self.endpointer.drop()
        self._partial = ""
        self._early = None

    def feed(self, chunk: np.ndarray) -> list[Event]:
        """Take any number of int16 samples at 16 kHz; return what happened, oldest first."""
        return self._events(self.endpointer.push(chunk))

    def finish(self) -> list[Event]:
        """End of input: close an utterance that is still open."""
        return self._events(self.endpointer.flush())

    def _events(self, pieces: list[Piece]) -> list[Event]:
        events: list[Event] = []
        for piece in pieces:
            if isinstance(piece, Paused):
                self._early = self._decoder.conclude(piece.sound) if self._decoder.eager else None
                continue
            if isinstance(piece, Ended):
                heard = self._early if piece.after_pause and self._early else self._decoder.conclude(piece.sound)
                self._early = None
                heard = replace(heard, seconds=len(piece.sound) / SAMPLE_RATE, level_db=piece.level_db)
                events.append(Final(heard, piece.sound))
                self._partial = ""
                continue
            if isinstance(piece, Began):
                self._decoder.begin()
                events.append(SpeechStarted(piece.at))
            text = self._decoder.hear(piece.sound)
            if text and text != self._partial:
                self._partial = text
                events.append(Partial(text))
        return events
