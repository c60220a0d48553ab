"""What every recogniser does: take chunks of sound, give events.

Sound is 16 kHz mono int16 (`numpy.ndarray`, shape (n,)).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from grammar.answers import Heard
from grammar.scope import Scope

SAMPLE_RATE = 16_000
ENGINES = ("pair", "pocketsphinx", "vosk")
"""What can be asked for; pair: PocketSphinx and Vosk together."""


@dataclass(frozen=True)
class SpeechStarted:
    """Somebody began to speak. at: seconds since listening began."""

    at: float


@dataclass(frozen=True)
class Partial:
    """What it sounds like so far; may change."""

    text: str


@dataclass(frozen=True)
class Final:
    """An utterance has ended.

    heard: with word confidences and up to 5 alternatives.
    sound: the utterance, int16 at 16 kHz.
    """

    heard: Heard
    sound: np.ndarray


Event = SpeechStarted | Partial | Final


def some_words(heard: Heard) -> bool:
    """Whether any recogniser heard words."""
    return bool(heard.text or (heard.second is not None and heard.second.text))


class Recognizer(Protocol):
    """One engine with one active scope."""

    name: str

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar (under 50 ms when seen before).

        Drops any half-heard utterance. Raises EngineError.
        """

    def feed(self, chunk: np.ndarray) -> list[Event]:
        """Take any number of samples; return what happened, oldest first."""

    def finish(self) -> list[Event]:
        """End of input: close an utterance that is still open."""

    def close(self) -> None:
        """Free the engine."""
