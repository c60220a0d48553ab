"""What a recogniser gives, and what an engine under it does.

An engine only decodes one utterance at a time under one scope; cutting the
stream into utterances is `listener.Listener`'s, for all engines alike. Sound is
16 kHz mono int16 (`numpy.ndarray`, shape (n,)).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from grammar.answers import Heard
from grammar.scope import Scope

ENGINES = ("pair", "pocketsphinx", "vosk")
"""What can be asked for; pair: PocketSphinx and Vosk together."""


CLOSED = Scope("closed")
"""What is open before any scope was opened."""


@dataclass(frozen=True)
class SpeechStarted:
    """Somebody began to speak. at: seconds since listening began."""

    at: float


@dataclass(frozen=True)
class Partial:
    """What it sounds like so far; may change."""

    text: str


@dataclass(frozen=True)
class Over:
    """Somebody spoke over our voice. line: id of the sentence that sounded then, "" for one without. at: seconds into
    it."""

    line: str
    at: float


@dataclass(frozen=True)
class Final:
    """An utterance has ended.

    heard: with word confidences and up to 5 alternatives.
    sound: the utterance, int16 at 16 kHz.
    over: what we were saying when it began, None where we were silent.
    """

    heard: Heard
    sound: np.ndarray
    over: Over | None = None


Event = SpeechStarted | Partial | Final


def some_words(heard: Heard) -> bool:
    """Whether any recogniser heard words."""
    return bool(heard.text or (heard.second is not None and heard.second.text))


class Grammars(Protocol):
    """Where the grammar of a scope comes from, in every form that an engine asks for; `grammar.emit` is one."""

    def jsgf(self, scope: Scope) -> str: ...

    def phrases(self, scope: Scope) -> list[str]: ...

    def accepts(self, scope: Scope, text: str) -> bool: ...

    def vocabulary(self, scope: Scope) -> frozenset[str]: ...

    def pronunciations(self, key: str) -> Mapping[str, str]: ...


class Engine(Protocol):
    """Words out of one utterance at a time, under the scope that was opened last.

    name: what its words are weighed as (`assistant/hearing/weigh/settings.yaml`).
    description: for the record and `check`: the engine, its version and its model.
    eager: whether it is quick enough to decide at every pause, while the endpointer still waits for more.
    """

    eager: bool

    @property
    def name(self) -> str: ...

    @property
    def description(self) -> str: ...

    def use(self, grammars: Grammars) -> None:
        """Take grammars from elsewhere from now on; what was opened before is forgotten."""

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar (under 50 ms when seen before). Raises EngineError."""

    def begin(self) -> None:
        """A new utterance; a half-heard one is dropped. Raises EngineError."""

    def hear(self, sound: np.ndarray) -> str:
        """Take the next samples; return the words so far. Raises EngineError."""

    def conclude(self, sound: np.ndarray) -> Heard:
        """Decide on the whole utterance `sound`. Raises EngineError."""

    def close(self) -> None:
        """Free it."""


class Recognizer(Protocol):
    """A stream of sound in, events out, with one active scope. name, description: as of `Engine`."""

    @property
    def in_speech(self) -> bool:
        """Whether an utterance is open."""

    @property
    def name(self) -> str: ...

    @property
    def description(self) -> str: ...

    def use(self, grammars: Grammars) -> None:
        """Take grammars from elsewhere from now on; an open scope is closed."""

    def open(self, scope: Scope) -> None:
        """Make `scope` the active grammar (under 50 ms when seen before).

        Drops any half-heard utterance. Raises EngineError.
        """

    def feed(self, chunk: np.ndarray, whole: np.ndarray | None = None) -> list[Event]:
        """Take any number of samples; return what happened, oldest first. Raises EngineError.

        whole: the same stretch as it is to be heard, where `chunk` only tells when somebody speaks.
        """

    def finish(self) -> list[Event]:
        """End of input: close an utterance that is still open."""

    def close(self) -> None:
        """Free the engine."""
