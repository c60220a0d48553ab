"""Slower or faster without another pitch: overlapping windows, each moved to where it fits the one before best
(WSOLA; Verhelst and Roelands, ICASSP 1993)."""

from __future__ import annotations

import numpy as np

from assistant.hearing.audio.rate import SAMPLE_RATE

WINDOW = round(0.032 * SAMPLE_RATE)
SEARCH = round(0.008 * SAMPLE_RATE)


def stretched(sound: np.ndarray, factor: float) -> np.ndarray:
    """float32 at 16 kHz, shape (n,), made `factor` times as long."""
    if abs(factor - 1) < 0.01 or len(sound) < 2 * WINDOW:
        return sound
    hop = WINDOW // 2
    shape = np.hanning(WINDOW + 1)[:WINDOW].astype(np.float32)
    padded = np.concatenate([np.zeros(hop, np.float32), sound, np.zeros(2 * WINDOW + SEARCH, np.float32)])
    count = int(len(sound) * factor) // hop + 2
    out = np.zeros((count + 1) * hop, np.float32)
    at = 0
    for number in range(count):
        wanted = round(number * hop / factor)
        if number:
            low = max(0, wanted - SEARCH)
            target = padded[at + hop : at + hop + hop]
            if wanted + SEARCH + WINDOW > len(padded):
                break
            looks = np.lib.stride_tricks.sliding_window_view(padded[low : wanted + SEARCH + hop], len(target))
            at = low + int(np.argmax(looks @ target))
        out[number * hop : number * hop + WINDOW] += padded[at : at + WINDOW] * shape
    return out[hop : hop + round(len(sound) * factor)]
