"""The queue of what is to be said: sentences and tones, one after the other, stopped at once."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from assistant.speaking.settings import SpeechSettings, settings
from assistant.speaking.tones import tone as make_tone
from assistant.speaking.voice import Voice

STOP_LIMIT = 2.0
"""Seconds that `stop` waits for a loudspeaker to fall silent."""
ASK_AGAIN = 0.01
"""Seconds between two requests to a loudspeaker that has not fallen silent."""


class Sink(Protocol):
    """Where sound goes: a loudspeaker, a file, or nowhere."""

    def play(self, sound: np.ndarray) -> None:
        """Play int16 at 16 kHz, shape (n,); return when it has ended or `stop` was called. Raises AudioError."""

    def stop(self) -> None:
        """Fall silent at once; from any thread."""


@dataclass(frozen=True)
class Sentence:
    """A queued sentence. rate: a key of the rates."""

    text: str
    rate: str


@dataclass(frozen=True)
class ToneItem:
    """A queued tone. name: a key of `tones.yaml`."""

    name: str


Item = Sentence | ToneItem


class Speaker:
    """Sentences and tones in a queue, played in the thread that calls `play`.

    `say` and `tone` only queue; `play` speaks until the queue is empty or
    somebody calls `stop`, from a key, a foot switch or another thread. The
    microphone may be opened when `play` has returned.
    """

    def __init__(
        self,
        voice: Voice,
        sink: Sink,
        data: SpeechSettings | None = None,
        on_item: Callable[[Item, np.ndarray], None] | None = None,
    ) -> None:
        """on_item: called with each item and its sound just before it is played, such as to print it."""
        self._voice = voice
        self._sink = sink
        self._data = data or settings()
        self._rate = self._data.normal
        self._on_item = on_item
        self._queue: deque[Item] = deque()
        self._lock = threading.Lock()
        self._quiet = threading.Event()
        self._quiet.set()
        self._stopped = False
        self._player: int | None = None

    def watch(self, on_item: Callable[[Item, np.ndarray], None]) -> None:
        """Call this with each item and its sound just before it is played."""
        self._on_item = on_item

    @property
    def rate(self) -> str:
        """The rate of the sentences queued from now on."""
        return self._rate

    @rate.setter
    def rate(self, rate: str) -> None:
        self._data.words_a_minute(rate)
        self._rate = rate

    def slower(self) -> str:
        """Speak slower from now on; the new rate."""
        self._rate = self._data.slower(self._rate)
        return self._rate

    def say(self, text: str, rate: str | None = None) -> None:
        """Queue a sentence. Raises VoiceError for an unknown rate."""
        self._data.words_a_minute(rate or self._rate)
        with self._lock:
            self._queue.append(Sentence(text, rate or self._rate))

    def tone(self, name: str) -> None:
        """Queue a tone. Raises VoiceError for an unknown one."""
        make_tone(name)
        with self._lock:
            self._queue.append(ToneItem(name))

    def play(self) -> bool:
        """Play what is queued; True when all was played, False when stopped.

        Raises VoiceError, AudioError; what was queued behind the failed item stays queued.
        """
        with self._lock:
            self._stopped = False
            self._player = threading.get_ident()
            self._quiet.clear()
        try:
            while (item := self._next()) is not None:
                sound = self._sound(item)
                if self._stopped:
                    break
                if self._on_item is not None:
                    self._on_item(item, sound)
                self._sink.play(sound)
            return not self._stopped
        finally:
            with self._lock:
                self._player = None
                self._quiet.set()

    def stop(self) -> None:
        """Fall silent and forget the queue. When this returns, nothing sounds.

        A `play` that begins after this speaks again.
        """
        with self._lock:
            self._queue.clear()
            self._stopped = True
            player = self._player
        self._sink.stop()
        if player is None or player == threading.get_ident():
            return
        # `play` may stand just before handing a sound over, and a request to
        # stop would find nothing to stop: ask until it is quiet.
        for _ in range(round(STOP_LIMIT / ASK_AGAIN)):
            if self._quiet.wait(ASK_AGAIN):
                return
            self._sink.stop()

    def _next(self) -> Item | None:
        with self._lock:
            return self._queue.popleft() if self._queue and not self._stopped else None

    def _sound(self, item: Item) -> np.ndarray:
        if isinstance(item, ToneItem):
            return make_tone(item.name)
        return self._voice.render(item.text, item.rate)
