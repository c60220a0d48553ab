"""Our own voice taken out of what the microphone hears.

A library does it (the canceller of the WebRTC project, in the package `pywebrtc-audio`, extra `interrupt`); which
one and why: `python -m tests.lab interrupt --part cancellers`. With a headset nothing has to be taken out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.signal import fftconvolve

from assistant.errors import MissingLibrary
from assistant.hearing.audio.rate import SAMPLE_RATE

FRAME = SAMPLE_RATE // 100
"""Samples that a canceller takes at a time."""
INSTALL = "pip install 'twohands[interrupt]'"
LONGEST_WAY = 0.6
"""Seconds within which an echo is looked for; a radio link to a loudspeaker takes up to 0.3 (common practice)."""
CLEAR = 8.0
"""How far the echo's peak must stand out of what chance gives, as a multiple of its middle."""


class Canceller(Protocol):
    """Takes what was played out of what was heard. name: for a person."""

    name: str

    def clean(self, near: np.ndarray, far: np.ndarray) -> np.ndarray:
        """near, far: int16 at 16 kHz, the same whole number of frames of 10 ms, in step. Returns int16 as long."""

    def forget(self) -> None:
        """The way from the loudspeaker to the microphone is another one now."""


class WebrtcCanceller:
    """The canceller of the WebRTC project. It finds the delay by itself, up to half a second. Raises MissingLibrary."""

    name = "WebRTC"

    def __init__(self) -> None:
        try:
            from pywebrtc_audio import EchoCanceller
        except ImportError as error:
            raise MissingLibrary("The package that takes echo out is not installed.", f"Run: {INSTALL}") from error
        self._library = EchoCanceller(sample_rate=SAMPLE_RATE)

    def clean(self, near: np.ndarray, far: np.ndarray) -> np.ndarray:
        return np.asarray(self._library.process(near, far), np.int16)

    def forget(self) -> None:
        self._library.reset()


class NoCanceller:
    """For a headset: the microphone does not hear the loudspeaker."""

    name = "none"

    def clean(self, near: np.ndarray, far: np.ndarray) -> np.ndarray:
        return near

    def forget(self) -> None:
        """Nothing is known."""


@dataclass(frozen=True)
class Echo:
    """How a loudspeaker comes back. delay: seconds. gain_db: its level over what was played; both None where no echo
    stands out."""

    delay: float | None
    gain_db: float | None

    @property
    def found(self) -> bool:
        return self.delay is not None


def measured(near: np.ndarray, far: np.ndarray) -> Echo:
    """How `far` comes back in `near`, both int16 at 16 kHz and in step: the peak of their cross-correlation.

    The spectrum of `far` is made flat first, so that a voice gives a peak as sharp as noise does.
    """
    most = round(LONGEST_WAY * SAMPLE_RATE)
    size = len(near) + len(far)
    played = np.fft.rfft(far.astype(np.float64), size)
    power = np.abs(played) ** 2
    if not power.max(initial=0.0):
        return Echo(None, None)
    flat = np.conj(played) / (power + 0.001 * power.max())
    way = np.fft.irfft(np.fft.rfft(near.astype(np.float64), size) * flat, size)[:most]
    peak = int(np.argmax(np.abs(way)))
    chance = float(np.median(np.abs(way))) + 1e-12
    if abs(way[peak]) < CLEAR * chance:
        return Echo(None, None)
    # only what stands out belongs to the way; the rest is the room's noise
    taps = np.where(np.abs(way) > 3 * chance, way, 0.0)
    back = fftconvolve(far.astype(np.float64), taps)[: len(near)]
    gain = 10 * np.log10(np.sum(back**2) / np.sum(far.astype(np.float64) ** 2) + 1e-12)
    return Echo(peak / SAMPLE_RATE, float(gain))
