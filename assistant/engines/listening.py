"""The part of a recogniser that all engines share: cut the stream, ask the decoder, give events."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np

from assistant.audio.endpoint import Began, Ended, Endpointer, EndpointSettings, More
from assistant.engines.base import SAMPLE_RATE, Event, Final, Partial, SpeechStarted
from grammar.answers import Heard


class Decoder(Protocol):
    """Words out of one utterance at a time."""

    def begin(self) -> None:
        """A new utterance; a half-heard one is dropped."""

    def hear(self, sound: np.ndarray) -> str:
        """Take the next samples; return the words so far."""

    def conclude(self, sound: np.ndarray) -> Heard:
        """Decide on the whole utterance `sound`."""


class Listener:
    """Feeds one decoder with the utterances of one stream."""

    def __init__(self, decoder: Decoder, settings: EndpointSettings | None = None) -> None:
        self._decoder = decoder
        self.endpointer = Endpointer(settings)
        self._partial = ""

    def drop(self) -> None:
        """Forget a half-heard utterance."""
        self.endpointer.drop()
        self._partial = ""

    def feed(self, chunk: np.ndarray) -> list[Event]:
        """Take any number of int16 samples at 16 kHz; return what happened, oldest first."""
        return self._events(self.endpointer.push(chunk))

    def finish(self) -> list[Event]:
        """End of input: close an utterance that is still open."""
        return self._events(self.endpointer.flush())

    def _events(self, pieces: list[Began | More | Ended]) -> list[Event]:
        events: list[Event] = []
        for piece in pieces:
            if isinstance(piece, Ended):
                heard = self._decoder.conclude(piece.sound)
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
