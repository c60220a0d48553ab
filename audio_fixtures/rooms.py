"""The rooms of `assistant.hearing.rooms` for recordings and tests: with another person talking, and through a
microphone."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.signal import butter, lfilter, resample_poly, sosfilt

from assistant.hearing import rooms
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.rooms import (
    ROOMS,
    Room,
    active,
    int16,
    level,
    mix,
    padded,
    reverb,
    unit,
)
from audio_fixtures.voices import Split, say, voices

__all__ = [
    "BANDS",
    "NOISES",
    "ROOMS",
    "Band",
    "NoiseKind",
    "Room",
    "Split",
    "active",
    "band",
    "in_quiet_room",
    "level",
    "mix",
    "noise",
    "padded",
    "reverb",
]

NoiseKind = rooms.NoiseKind | Literal["babble"]
Band = Literal["wide", "headset", "phone"]

NOISES: tuple[NoiseKind, ...] = (*rooms.NOISES, "babble")
BANDS: tuple[Band, ...] = ("wide", "headset", "phone")

TALK = (
    "I told her we could come by on thursday after lunch.",
    "The neighbours are parking in front of the garage again.",
    "Did you hear whether the game was called off because of the weather?",
    "He said the truck needs new brakes before the winter.",
    "We should really paint the stairs while everything is out of the way.",
    "Somebody left the back door open and the dog got out.",
    "My sister is flying in on the weekend with all the kids.",
    "Put the groceries on the counter, I will be right up.",
    "They moved the whole kitchen to the other side of the house.",
    "Have you seen my keys anywhere down here?",
)
"""What the other person says. Own sentences."""


def noise(kind: NoiseKind, samples: int, rng: np.random.Generator, split: Split = "tune") -> np.ndarray:
    """`samples` of one noise, float64 of unit power. split: whose voices babble."""
    return unit(_babble(samples, rng, split)) if kind == "babble" else rooms.noise(kind, samples, rng)


def band(sound: np.ndarray, kind: Band) -> np.ndarray:
    """Sound through a microphone: a headset on a telephone link (8 kHz, 300 to 3400 Hz) or a phone's own. int16, same
    length."""
    if kind == "wide":
        return sound
    wave = sound.astype(np.float64)
    if kind == "headset":
        wave = sosfilt(butter(4, (300, 3400), "bandpass", fs=SAMPLE_RATE, output="sos"), wave)
        wave = resample_poly(np.round(resample_poly(wave, 1, 2)), 2, 1)[: len(sound)]
    else:
        wave = sosfilt(butter(2, (120, 7000), "bandpass", fs=SAMPLE_RATE, output="sos"), wave)
        wave = lfilter([1, -0.3], [1], wave)  # small capsules lift the highs
    return int16(wave)


def in_quiet_room(
    speech: np.ndarray, before: float, after: float, rng: np.random.Generator, steps: float = 12.0
) -> np.ndarray:
    """Speech in a quiet room that is heard before, under and after it, int16.

    before, after: seconds; steps: standard deviation of the room.
    """
    around = padded(speech, before, after)
    return np.clip(np.rint(around + rng.normal(0, steps, len(around))), -32768, 32767).astype(np.int16)


@lru_cache(maxsize=64)
def _sentence(number: int, voice_id: str) -> np.ndarray:
    spoken = level(say(TALK[number], voice_id), -26).astype(np.float64)
    return spoken / np.sqrt(np.mean(spoken[active(spoken)] ** 2))


def _babble(samples: int, rng: np.random.Generator, split: Split) -> np.ndarray:
    """One other person talking, from somewhere in the middle of a sentence on."""
    talkers = [one.id for one in voices(split) if one.engine != "festival"]
    voice_id = talkers[int(rng.integers(len(talkers)))]
    parts: list[np.ndarray] = []
    first = _sentence(int(rng.integers(len(TALK))), voice_id)
    parts.append(first[int(rng.integers(len(first) // 2)) :])
    while sum(map(len, parts)) < samples:
        parts.append(_sentence(int(rng.integers(len(TALK))), voice_id))
    return np.concatenate(parts)[:samples]
