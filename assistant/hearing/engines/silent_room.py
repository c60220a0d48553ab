"""A room's noise in place of digital silence."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

ROOM_FRAME = 480
"""Samples of a frame when the level of the voice is taken, 30 ms."""
ROOM_PERCENT = 10
"""Share of an utterance's frames, in percent, that are surely the room."""
SILENT_DB = 60.0
"""dB below the voice at which a room counts as digitally silent; a quiet real one lies at 30 to 50."""


def with_room(sound: np.ndarray, below_db: float) -> np.ndarray:
    """int16 sound; where it falls digitally silent, the noise of a room is added so many dB below the voice.

    Microphones that cut the noise off between words leave a silence that no
    room has, and the models are lost in it. A room that can be heard is left
    as it is. The noise falls with frequency and is always the same.
    """
    frames = sound[: len(sound) // ROOM_FRAME * ROOM_FRAME].reshape(-1, ROOM_FRAME).astype(np.float64)
    if not len(frames):
        return sound
    powers = np.sort(np.mean(np.square(frames), axis=1))
    quiet, voice = float(np.percentile(powers, ROOM_PERCENT)), float(powers[len(powers) // 2 :].mean())
    if quiet > voice * 10 ** (-SILENT_DB / 10) or voice == 0:
        return sound
    noise = lfilter([1.0], [1.0, -0.95], np.random.default_rng(1).normal(size=len(sound)))
    noise *= np.sqrt(voice * 10 ** (-below_db / 10) / np.mean(np.square(noise)))
    return np.clip(np.rint(sound + noise), -32768, 32767).astype(np.int16)
