"""The sound of a case: speech in a room over noise through a microphone, from its number."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from platformdirs import user_cache_path

from assistant.hearing.audio.rate import SAMPLE_RATE
from audio_fixtures.rooms import band, level, mix, noise, padded, reverb
from audio_fixtures.voices import say
from tests.lab.measure import hearing_recorded
from tests.lab.measure.hearing_cases import Case

BEFORE, AFTER = 1.0, 1.6
"""Seconds of noise alone around the speech; enough for any end of speech to be found."""

LONGEST = 8.0
"""Seconds; talk to others is cut here."""


APART = 5
"""One in so many readings of tuning voices is spoken word by word, as careful people read a display, and as recorded
words are joined."""


@dataclass(frozen=True)
class Scene:
    """sound: int16 at 16 kHz. starts, ends: seconds at which active speech begins and ends. said: the words in it."""

    sound: np.ndarray
    starts: float
    ends: float
    said: str


def cache() -> Path:
    """Where speech and results are kept between runs; outside the repository."""
    return user_cache_path("twohands") / "hearing-bench"


def scene(case: Case, again: bool = False) -> Scene:
    """The sound of one case; the same for the same case. again: another draw of everything that is drawn here."""
    side = 0 if case.split == "tune" else 1
    rng = np.random.default_rng((79, side, case.number, 1) if again else (79, side, case.number))
    said = case.text
    if case.voice != "recorded":
        apart = case.split == "tune" and case.kind == "reading" and case.number % APART == 0
        dry = word_by_word(case, rng) if apart else spoken(case.text, case.voice, case.rate)
    elif case.kind == "outside":
        said, dry = hearing_recorded.outside(rng)
    else:
        dry = hearing_recorded.reading(case.text, rng)
    return placed(dry, case, rng, said)


def word_by_word(case: Case, rng: np.random.Generator) -> np.ndarray:
    """Each word spoken alone, then joined."""
    return hearing_recorded.joined(
        [hearing_recorded.trimmed(spoken(word, case.voice, case.rate)) for word in case.text.split()], rng
    )


def placed(dry: np.ndarray, case: Case, rng: np.random.Generator, said: str) -> Scene:
    """Speech put into the room, noise and microphone of a case."""
    dry = level(dry[: round(LONGEST * SAMPLE_RATE)], float(rng.uniform(-32, -20)))
    words = hearing_recorded.trimmed(dry)
    speech = reverb(padded(words, BEFORE, AFTER), case.room, rng)
    sound = band(mix(speech, noise(case.noise, len(speech), rng, case.split), case.snr), case.band)
    return Scene(sound, BEFORE, BEFORE + len(words) / SAMPLE_RATE, said)


def spoken(text: str, voice: str, rate: float) -> np.ndarray:
    """Clean speech, kept on disk as FLAC."""
    key = hashlib.sha256(f"{voice}|{rate}|{text}".encode()).hexdigest()
    path = cache() / "speech" / key[:2] / f"{key}.flac"
    if path.is_file():
        sound, _ = soundfile.read(path, dtype="int16")
        return sound
    sound = say(text, voice, rate)
    path.parent.mkdir(parents=True, exist_ok=True)
    # written beside and moved, so that a second process never reads half a file
    beside = path.with_suffix(f".{np.random.default_rng().integers(1 << 60)}")
    soundfile.write(beside, sound, SAMPLE_RATE, format="FLAC")
    beside.replace(path)
    return sound
