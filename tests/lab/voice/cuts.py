"""Takes made ready to ship: as loud as one another, peaks held, cut where the voice pauses or is weakest."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import resample_poly

from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.words import MARKS
from tests.lab.voice.takes import Take

QUIET = 10 ** (-46 / 20)
"""Of the loudest moment of a take: below it, it pauses."""
LEAD, TAIL = round(0.09 * SAMPLE_RATE), round(0.2 * SAMPLE_RATE)
"""Samples before a word and after one in which it may still sound."""
EDGE = round(0.004 * SAMPLE_RATE)
ABOUT = round(0.012 * SAMPLE_RATE)
"""Samples around a joint in which the weakest moment is looked for."""
BEYOND = round(0.002 * SAMPLE_RATE)
"""Samples that a piece goes on beyond a joint."""
HOLD = round(0.004 * SAMPLE_RATE)


@cache
def _meter(rate: int) -> Any:
    import pyloudnorm

    return pyloudnorm.Meter(rate)


def loudness(sound: np.ndarray, rate: int = SAMPLE_RATE) -> float:
    """LUFS, integrated (ITU-R BS.1770-4)."""
    least = round(0.41 * rate)
    padded = np.concatenate([sound, np.zeros(max(0, least - len(sound)))]).astype(np.float64)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # silence has no loudness
        return float(_meter(rate).integrated_loudness(padded))


def true_peak(sound: np.ndarray) -> float:
    """dB, four samples for one (ITU-R BS.1770-4, annex 2)."""
    return float(20 * np.log10(np.abs(resample_poly(sound, 4, 1)).max(initial=1e-9)))


def held(sound: np.ndarray, peak: float) -> np.ndarray:
    """The sound with no true peak above `peak` dB: the gain goes down before it and up after it, never in between."""
    most = 10 ** (peak / 20)
    high = np.abs(resample_poly(sound, 4, 1)).reshape(-1, 4).max(axis=1)[: len(sound)]
    need = np.minimum(1.0, most / np.maximum(high, 1e-9))
    window = 2 * HOLD + 1
    return (sound * uniform_filter1d(minimum_filter1d(need, window), window)).astype(np.float32)


def as_loud(sound: np.ndarray, lufs: float, peak: float) -> np.ndarray:
    """At `lufs`, its peaks held."""
    done = sound
    gain = 0.0
    for _ in range(4):
        gain += lufs - loudness(done)
        done = held(sound * np.float32(10 ** (gain / 20)), peak)
    return done


def cut(take: Take, spans: Sequence[tuple[int, int]]) -> tuple[np.ndarray, list[tuple[int, int]]]:
    """What is said in a take, without the silence before and after it; and the samples of each span of words in it."""
    power = uniform_filter1d(np.square(take.sound.astype(np.float64)), round(0.005 * SAMPLE_RATE))
    level = np.sqrt(np.maximum(power, 0))
    places = [(_begin(take, level, first), _end(take, level, last)) for first, last in ((0, len(take.words)), *spans)]
    low, high = places[0]
    return take.sound[low:high], [(max(a, low) - low, min(b, high) - low) for a, b in places[1:]]


def softened(sound: np.ndarray) -> np.ndarray:
    """Soft at both ends."""
    ramp = np.linspace(0, 1, EDGE, dtype=np.float32)
    done = sound.copy()
    done[:EDGE] *= ramp
    done[-EDGE:] *= ramp[::-1]
    return done


def _begin(take: Take, level: np.ndarray, word: int) -> int:
    at = take.begins[word]
    if word and take.words[word - 1] not in MARKS:
        return _weakest(level, take.ends[word - 1], at) - BEYOND
    least = max(0, at - LEAD)
    if word:
        least = max(least, (take.ends[word - 1] + at) // 2)
    loud = np.flatnonzero(level[least : at + LEAD] > level.max() * QUIET)
    return least + max(0, int(loud[0]) - EDGE) if len(loud) else at


def _end(take: Take, level: np.ndarray, after: int) -> int:
    at = take.ends[after - 1]
    if take.words[after - 1] not in MARKS:
        return _weakest(level, at, take.begins[after]) + BEYOND
    most = min(len(level), at + TAIL)
    if after < len(take.words):
        most = min(most, (at + take.begins[after]) // 2)
    begin = max(0, at - LEAD)
    loud = np.flatnonzero(level[begin:most] > level.max() * QUIET)
    return min(len(level), begin + int(loud[-1]) + 2 * EDGE) if len(loud) else at


def _weakest(level: np.ndarray, begin: int, end: int) -> int:
    low = max(0, begin - ABOUT)
    return low + int(np.argmin(level[low : max(end + ABOUT, low + 1)]))
