"""One text spoken once, kept in a cache, and where its words begin and end."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import resample_poly

from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.words import MARKS
from tests.lab.voice.model import CACHE, RATE, spoken
from tests.lab.voice.settings import voice_settings
from tests.lab.voice.sounds_of import spoken_words


@dataclass(frozen=True)
class Take:
    """sound: float32 at 16 kHz, as the model gave it. begins, ends: sample of each word; a mark's are those of the
    word before it."""

    words: tuple[str, ...]
    sound: np.ndarray
    begins: tuple[int, ...]
    ends: tuple[int, ...]


def take(words: Sequence[str], voice: str = "", pace: float = 0.0) -> Take:
    """The words spoken, out of the cache where they were spoken before. Raises GrammarError for an unknown word."""
    settings = voice_settings()
    voice, pace = voice or settings.voice, pace or settings.pace
    text, places = _laid_out(words, spoken_words(words))
    file = _file(text, voice, pace)
    if file.is_file():
        sound = soundfile.read(file, dtype="float32")[0]
        begins = np.array(json.loads(file.with_suffix(".json").read_text()))
    else:
        sound, begins = spoken(text, voice, pace)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.with_suffix(".json").write_text(json.dumps(begins.tolist()))
        soundfile.write(file, np.clip(sound, -1, 1), RATE, subtype="PCM_24")
    down = np.asarray(resample_poly(sound, SAMPLE_RATE, RATE), dtype=np.float32)
    at = [round(one * SAMPLE_RATE / RATE) for one in begins]
    return Take(tuple(words), down, tuple(at[a] for a, _ in places), tuple(at[b] for _, b in places))


def is_cached(words: Sequence[str]) -> bool:
    """Whether the words were spoken before. Raises GrammarError for an unknown word."""
    settings = voice_settings()
    return _file(_laid_out(words, spoken_words(words))[0], settings.voice, settings.pace).is_file()


def _file(text: str, voice: str, pace: float) -> Path:
    name = hashlib.sha256(json.dumps([text, voice, pace, 1]).encode()).hexdigest()[:24]
    return CACHE / "takes" / f"{name}.flac"


def _laid_out(words: Sequence[str], sounds: Sequence[str]) -> tuple[str, list[tuple[int, int]]]:
    """All signs in a row, and for each word its first sign and the one after its last."""
    text, places = "", []
    for word, one in zip(words, sounds, strict=True):
        if word in MARKS:
            text += one
            places.append(places[-1])
        else:
            text += f" {one}" if text else one
            places.append((len(text) - len(one), len(text)))
    return text, places
