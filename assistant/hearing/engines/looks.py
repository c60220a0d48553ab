"""One utterance in several looks, so that a recogniser can be asked more than once.

With the room taken out it is heard best; what is heard right is mostly heard
right again in a slower voice and with the room left in, what is heard wrong is
heard wrong otherwise. int16 at 16 kHz in and out, shape (n,).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import uniform_filter
from scipy.signal import istft, lfilter, resample_poly, stft

from grammar.answers import Heard

LOOKS = 3
"""Looks that `looks` makes."""
SLOWER = (10, 9)
"""Longer by this fraction, and as much lower."""

WINDOW, OVERLAP = 512, 384
ROOM_PERCENT = 10
"""Share of the time, in percent, in which even a fast talker leaves a frequency to the room."""
LOUD_PERCENT = 80
"""The loud moments begin here."""
MORE = 2.2
"""The room's mean power over that share's."""
LEFT = 0.15
"""Least gain: what is taken out wholly leaves holes, which sound worse than noise."""
QUIET_DB = 30.0
"""Loud moments this far above the room leave nothing to take out."""
NOISE_DB = 22.0
CLOSING = 3_200
"""Samples of the closing silence that are heard once more: the network looks ahead, and would lose a last word."""
FRAME = 400
"""Samples over which loudness is measured."""


def slower(sound: np.ndarray) -> np.ndarray:
    """A tenth slower, pitch and all: another, larger speaker."""
    return _int16(resample_poly(sound.astype(np.float64), *SLOWER))


def quieted(sound: np.ndarray) -> np.ndarray:
    """The steady part of the noise subtracted from the power spectrum (Boll 1979), the room read off the quiet moments.

    The gains are smoothed over three frames and three frequencies.
    """
    if len(sound) < WINDOW:
        return sound
    _, _, spectrum = stft(sound.astype(np.float64), nperseg=WINDOW, noverlap=OVERLAP)
    power = np.abs(spectrum) ** 2
    room = MORE * np.percentile(power, ROOM_PERCENT, axis=1, keepdims=True)
    gain = np.sqrt(np.maximum(1 - room / np.maximum(power, 1e-9), LEFT**2))
    _, wave = istft(spectrum * uniform_filter(gain, size=3), nperseg=WINDOW, noverlap=OVERLAP)
    return _int16(wave[: len(sound)])


def looks(sound: np.ndarray, count: int = LOOKS) -> tuple[np.ndarray, ...]:
    """The look that is heard best, and the others; the first `count` of them.

    Out of a quiet room come two looks with a little noise in place of the one
    without the room: the small model learnt in noise, and in its absence takes
    soft sounds of a word for somebody far away.
    """
    sound = np.concatenate([sound, sound[-CLOSING:][::-1]])
    above = above_room_db(sound)
    noisy = above is None or above <= QUIET_DB
    first = quieted(sound) if noisy else with_noise(sound, NOISE_DB)
    if count == 1:
        return (first,)
    return (first, slower(first), sound if noisy else with_noise(sound, NOISE_DB + 6))[:count]


def averaged(opinions: Sequence[tuple[Heard, int]]) -> Heard:
    """Several opinions of one utterance as one, the shares of each counting so many times."""
    total: dict[str, float] = {}
    for heard, times in opinions:
        for text, share in heard.alternatives:
            total[text] = total.get(text, 0.0) + share * times
    whole = sum(times for _, times in opinions)
    pairs = tuple(sorted(((text, share / whole) for text, share in total.items()), key=lambda pair: -pair[1]))
    text, share = pairs[0] if pairs else ("", 0.0)
    return Heard(text, share, alternatives=pairs, engine=opinions[0][0].engine if opinions else "")


def above_room_db(sound: np.ndarray) -> float | None:
    """How far the loud moments stand above the quiet ones, dB; None for a sound too short to tell."""
    if len(sound) < 5 * FRAME:
        return None
    low, high = np.percentile(_powers(sound) + 1e-3, (ROOM_PERCENT, LOUD_PERCENT))
    return 10 * float(np.log10(high / low))


def with_noise(sound: np.ndarray, under_db: float) -> np.ndarray:
    """The sound with steady noise, falling with frequency, so far under its loud moments. Always the same."""
    white = np.random.default_rng(len(sound)).normal(size=len(sound))
    noise = lfilter([1.0], [1.0, -0.7], white)
    loud = np.sqrt(np.percentile(_powers(sound), LOUD_PERCENT))
    return _int16(sound + noise / noise.std() * loud * 10 ** (-under_db / 20))


def _powers(sound: np.ndarray) -> np.ndarray:
    """Mean square of each whole frame."""
    frames = sound[: len(sound) // FRAME * FRAME].reshape(-1, FRAME)
    return np.mean(np.square(frames, dtype=np.float64), axis=1)


def _int16(wave: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(wave), -32768, 32767).astype(np.int16)
