"""Another rate, for a stream that comes in pieces."""

from __future__ import annotations

import numpy as np
from scipy.signal import resample_poly

from assistant.hearing.audio.rate import SAMPLE_RATE

LEAST_SHARED = 25
"""Common divisor of both rates; 11,025 Hz and all usual rates have at least this."""
CONTEXT = 0.02
"""Seconds on either side of a piece that the filter of `resample_poly` may look at."""


class StreamResampler:
    """Brings int16 mono of any rate to 16 kHz; the same samples however the stream is cut.

    rate: samples a second that come in; a multiple of 25. What goes out lags by 20 to 60 ms.
    """

    def __init__(self, rate: int) -> None:
        if rate <= 0 or np.gcd(rate, SAMPLE_RATE) < LEAST_SHARED:
            raise ValueError(f"a rate of {rate} samples a second")
        shared = int(np.gcd(rate, SAMPLE_RATE))
        self._up, self._down = SAMPLE_RATE // shared, rate // shared
        self._context = -(-round(CONTEXT * rate) // self._down) * self._down
        self._kept = np.zeros(self._context, dtype=np.int16)

    def push(self, chunk: np.ndarray) -> np.ndarray:
        """Take int16 of shape (n,); return what is ready, int16 at 16 kHz."""
        if self._up == self._down:
            return chunk
        self._kept = np.concatenate([self._kept, chunk])
        ready = (len(self._kept) - 2 * self._context) // self._down * self._down
        if ready <= 0:
            return np.zeros(0, dtype=np.int16)
        out = resample_poly(self._kept[: ready + 2 * self._context].astype(np.float64), self._up, self._down)
        edge = self._context * self._up // self._down
        self._kept = self._kept[ready:]
        return np.clip(np.rint(out[edge : edge + ready * self._up // self._down]), -32768, 32767).astype(np.int16)
