"""A sentence as sound: text in, 16 kHz mono int16 out."""

from __future__ import annotations

import tempfile
import threading
from collections import OrderedDict
from pathlib import Path
from typing import Protocol

import numpy as np

from assistant.errors import AssistantError, VoiceError
from assistant.hearing.audio.files import read
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.process import SpeechWorker
from assistant.speaking.settings import SpeechSettings, settings

CACHE_BYTES = 64 * 1024 * 1024
"""Sound kept in memory: about half an hour."""
QUIET = 0.003
"""Share of the peak below which a sentence counts as silent at its ends."""


class Voice(Protocol):
    """Whatever can turn a sentence into sound."""

    @property
    def name(self) -> str:
        """What the record calls it."""

    def render(self, text: str, rate: str = "normal") -> np.ndarray:
        """The sentence spoken: int16, 16 kHz, shape (n,); empty for empty text. Raises VoiceError."""

    def close(self) -> None:
        """Free the synthesiser."""


class EspeakVoice:
    """eSpeak NG through pyttsx3, in a worker process that is replaced when it hangs or dies.

    A sentence that was rendered before comes from memory. May be used from
    several threads. Raises MissingLibrary at once where eSpeak NG is missing.
    """

    def __init__(
        self,
        language: str = "en",
        data: SpeechSettings | None = None,
        start=SpeechWorker,
        cache_bytes: int = CACHE_BYTES,
    ) -> None:
        """start: makes a worker; called again for a new one when one has failed."""
        self._data = data or settings()
        self._language = self._data.language(language)
        self._start = start
        self._lock = threading.Lock()
        self._cache: OrderedDict[tuple[str, str, int], np.ndarray] = OrderedDict()
        self._cache_bytes = cache_bytes
        self._folder = tempfile.TemporaryDirectory(prefix="twohands-voice-")
        try:
            self._worker: SpeechWorker | None = start()
        except AssistantError:
            self._folder.cleanup()
            raise

    @property
    def name(self) -> str:
        return f"eSpeak NG {self._language.voice}"

    def render(self, text: str, rate: str = "normal") -> np.ndarray:
        """The sentence spoken: int16, 16 kHz, shape (n,); empty for empty text. Read-only.

        Raises VoiceError for an unknown rate, or when two workers in a row fail.
        """
        words = self._data.words_a_minute(rate)
        given = self._language.prepared(text)
        if not given:
            return np.zeros(0, np.int16)
        key = (given, self._language.voice, words)
        with self._lock:
            if key not in self._cache:
                self._keep(key, self._render(given, words))
            self._cache.move_to_end(key)
            return self._cache[key]

    def close(self) -> None:
        """End the worker. The voice may not be used after."""
        with self._lock:
            if self._worker is not None:
                self._worker.close()
                self._worker = None
            self._folder.cleanup()

    def _render(self, given: str, words: int) -> np.ndarray:
        file = Path(self._folder.name) / "sentence.wav"
        try:
            self._ask(given, words, file)
        except VoiceError:
            # One failure may be the worker's alone; a second one is told.
            self._ask(given, words, file)
        sound = read(file)
        file.unlink()
        return _finished(sound, self._data.peak, self._data.pause)

    def _ask(self, given: str, words: int, file: Path) -> None:
        file.unlink(missing_ok=True)
        if self._worker is None:
            self._worker = self._start()
        try:
            self._worker.render(given, self._language.voice, words, file, self._data.limit)
        except VoiceError:
            self._worker.close()
            self._worker = None
            raise
        if not file.is_file():
            raise VoiceError("The voice gave no sound.", "Look whether the disk is full.")

    def _keep(self, key: tuple[str, str, int], sound: np.ndarray) -> None:
        sound.flags.writeable = False
        self._cache[key] = sound
        while len(self._cache) > 1 and sum(one.nbytes for one in self._cache.values()) > self._cache_bytes:
            self._cache.popitem(last=False)


def _finished(sound: np.ndarray, peak: float, pause: float) -> np.ndarray:
    """Silence cut from the ends, `pause` seconds put after, the loudest sample at `peak`."""
    top = int(np.abs(sound.astype(np.int32)).max(initial=0))
    if top == 0:
        return np.zeros(0, np.int16)
    loud = np.flatnonzero(np.abs(sound.astype(np.int32)) > top * QUIET)
    cut = sound[loud[0] : loud[-1] + 1].astype(np.float64) * (peak * 32767 / top)
    return np.concatenate([np.rint(cut), np.zeros(round(pause * SAMPLE_RATE))]).astype(np.int16)
