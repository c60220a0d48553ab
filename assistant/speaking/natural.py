"""The natural voice: what was spoken beforehand, whole or in pieces; else a sentence of the run-time voice.

A sentence is never in two voices: where a single word of it has no sound, all of it is the run-time voice's.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence

import numpy as np

from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.joined import spoken
from assistant.speaking.settings import SpeechSettings, settings
from assistant.speaking.shelf import Shelf
from assistant.speaking.stretch import stretched
from assistant.speaking.voice import Voice
from assistant.speaking.words import words_of

CACHED = 256
"""Sentences kept in memory."""


class NaturalVoice:
    """Speaks from shelves, the first that has all of a sentence; else by the voice behind. May be used from several
    threads."""

    def __init__(
        self, shelves: Sequence[Shelf], behind: Voice, language: str = "en", data: SpeechSettings | None = None
    ) -> None:
        """behind: the run-time voice. It is closed with this one."""
        self._shelves = tuple(shelves)
        self._behind = behind
        self._data = data or settings()
        self._language = self._data.language(language)
        self._lock = threading.Lock()
        self._cache: OrderedDict[tuple[str, str], np.ndarray] = OrderedDict()

    @property
    def name(self) -> str:
        return f"{self._shelves[0].index.voice}, else {self._behind.name}"

    def has(self, text: str) -> bool:
        """Whether the text is spoken naturally."""
        return self._spoken(text) is not None

    def render(self, text: str, rate: str = "normal") -> np.ndarray:
        """The sentence spoken: int16, 16 kHz, shape (n,); empty for empty text. Read-only. Raises VoiceError."""
        factor = self._data.words_a_minute(self._data.normal) / self._data.words_a_minute(rate)
        with self._lock:
            if (known := self._cache.get((text, rate))) is not None:
                self._cache.move_to_end((text, rate))
                return known
        sound = self._spoken(text)
        if sound is None:
            return self._behind.render(text, rate)
        pause = np.zeros(round(self._data.pause * SAMPLE_RATE), np.float32)
        whole = np.concatenate([stretched(sound, factor), pause])
        done = np.rint(np.clip(whole, -1, 1) * 32767).astype(np.int16)
        done.flags.writeable = False
        with self._lock:
            self._cache[text, rate] = done
            while len(self._cache) > CACHED:
                self._cache.popitem(last=False)
        return done

    def close(self) -> None:
        """Close the run-time voice."""
        self._behind.close()

    def _spoken(self, text: str) -> np.ndarray | None:
        words = words_of(self._language.prepared(text))
        for shelf in self._shelves if words else ():
            if (sound := spoken(shelf, words, self._data.joints)) is not None:
                return sound
        return None
