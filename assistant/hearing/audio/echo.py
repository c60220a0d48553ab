"""Our own voice taken out of what the microphone hears.

Two libraries do it together (extra `interrupt`; `python -m tests.lab interrupt --part cancellers` compares them).
The canceller of the WebRTC project (`pywebrtc-audio`) leaves next to nothing of our voice, but also cuts into a voice
that speaks at the same time; so what it leaves tells whether somebody else speaks. The filter of Speex (`pyaec`)
leaves more of ours and does not touch the other voice; so while somebody speaks, its sound is what is heard. With a
headset nothing has to be taken out.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.signal import fftconvolve

from assistant.errors import MissingLibrary
from assistant.hearing.audio.played import Cleaned
from assistant.hearing.audio.rate import SAMPLE_RATE

FRAME = SAMPLE_RATE // 100
"""Samples that a canceller takes at a time."""
LACKING = "The packages that take echo out are not installed."
AUDIBLE = 200.0
"""Mean square, in steps of 16 bits, below which there is nothing to hear."""
INSTALL = "pip install 'twohands[interrupt]'"
LONGEST_WAY = 0.6
"""Seconds within which an echo is looked for; a radio link to a loudspeaker takes up to 0.3 (common practice)."""
EARLY = 0.5
"""Seconds by which what was heard may stand before what was played, where a busy machine lost a piece of the first."""
CLEAR = 10.0
"""How far the echo's peak must stand out of what chance gives, as a multiple of its middle."""


class Canceller(Protocol):
    """Takes what was played out of what was heard. name: for a person."""

    name: str

    def clean(self, near: np.ndarray, far: np.ndarray) -> Cleaned:
        """near, far: int16 at 16 kHz, the same whole number of frames of 10 ms, in step. Returns as much."""

    def forget(self) -> None:
        """The way from the loudspeaker to the microphone is another one now."""


class WebrtcCanceller:
    """The canceller of the WebRTC project. It finds the delay by itself, up to half a second. Raises MissingLibrary."""

    name = "WebRTC"

    def __init__(self) -> None:
        try:
            from pywebrtc_audio import EchoCanceller
        except ImportError as error:
            raise MissingLibrary(LACKING, f"Run: {INSTALL}") from error
        self._library = EchoCanceller(sample_rate=SAMPLE_RATE)

    def clean(self, near: np.ndarray, far: np.ndarray) -> Cleaned:
        left = np.asarray(self._library.process(near, far), np.int16)
        return Cleaned(left, left)

    def forget(self) -> None:
        self._library.reset()


class SpeexCanceller:
    """The adaptive filter of Speex, without what it would do to the rest of the sound. Raises MissingLibrary.

    REACH: seconds of echo that it takes out. An echo that comes later is looked for, and what was played is held back.
    """

    name = "Speex"
    REACH = 0.256
    LATE = 0.12
    WINDOW = 3.0

    def __init__(self, lag: float | None = None) -> None:
        """lag: seconds that what was played is held back; None to find it."""
        try:
            from pyaec import Aec, lib
        except (ImportError, OSError, AttributeError) as error:
            raise MissingLibrary(LACKING, f"Run: {INSTALL}") from error
        self._make, self._cancel = Aec, lib.AecCancelEcho
        self._finds = lag is None
        self._held = np.zeros(round((lag or 0.0) * SAMPLE_RATE), np.int16)
        self._near = self._far = np.zeros(0, np.int16)
        self.forget()

    def forget(self) -> None:
        self._library = self._make(FRAME, round(self.REACH * SAMPLE_RATE), SAMPLE_RATE, False)

    def clean(self, near: np.ndarray, far: np.ndarray) -> Cleaned:
        if self._finds:
            self._look(near, far)
        if len(self._held):
            line = np.concatenate([self._held, far])
            far, self._held = line[: len(far)], line[len(far) :]
        near, far = np.ascontiguousarray(near), np.ascontiguousarray(far)
        out = np.zeros(len(near), np.int16)
        shorts = ctypes.POINTER(ctypes.c_int16)
        for at in range(0, len(near), FRAME):
            self._cancel(self._library._aec, *(one[at:].ctypes.data_as(shorts) for one in (near, far, out)), FRAME)
        return Cleaned(out, out)

    def _look(self, near: np.ndarray, far: np.ndarray) -> None:
        """Find an echo that comes so late that the filter would not reach its end."""
        self._near, self._far = np.concatenate([self._near, near]), np.concatenate([self._far, far])
        if len(self._near) < self.WINDOW * SAMPLE_RATE:
            return
        if np.mean(self._far.astype(np.float64) ** 2) > AUDIBLE:
            echo = measured(self._near, self._far)
            lag = len(self._held)
            if echo.delay is not None and not 0 <= echo.delay * SAMPLE_RATE - lag <= self.LATE * SAMPLE_RATE:
                self._held = np.zeros(max(0, round((echo.delay - self.LATE / 4) * SAMPLE_RATE)), np.int16)
                self.forget()
        self._near, self._far = near[:0], far[:0]


class TwoCancellers:
    """WebRTC's tells whether somebody else speaks, Speex's is what is heard. Raises MissingLibrary.

    OTHER_DB: WebRTC's leaves more than this of the sound where somebody else speaks. STAYS: frames for which that
    holds on. SMOOTH: share of a new frame in a power. RISE, FALL: how fast Speex's comes in and out, a frame.
    """

    name = "WebRTC and Speex"
    OTHER_DB = -7.0
    STAYS = 35
    SMOOTH = 0.3
    RISE, FALL = 0.34, 0.1

    def __init__(self) -> None:
        self._judge, self._filter = WebrtcCanceller(), SpeexCanceller()
        self._start()

    def forget(self) -> None:
        self._judge.forget()
        self._filter.forget()
        self._start()

    def _start(self) -> None:
        # all of the sound, and its highs, in which an "s" is found
        self._bands = (_Band(self.OTHER_DB, self.SMOOTH), _Band(self.OTHER_DB, self.SMOOTH))
        self._other, self._share = 0, 0.0

    def clean(self, near: np.ndarray, far: np.ndarray) -> Cleaned:
        left, whole = self._judge.clean(near, far).others, self._filter.clean(near, far).whole
        out = np.zeros(len(near))
        for at in range(0, len(near), FRAME):
            frame = slice(at, at + FRAME)
            self._judged(near[frame], left[frame])
            goal = self._share + np.clip((1.0 if self._other else 0.0) - self._share, -self.FALL, self.RISE)
            share = np.linspace(self._share, goal, FRAME)
            self._share = float(goal)
            out[frame] = left[frame] * (1 - share) + whole[frame] * share
        return Cleaned(np.clip(np.rint(out), -32768, 32767).astype(np.int16), whole)

    def _judged(self, near: np.ndarray, left: np.ndarray) -> None:
        """Whether somebody else speaks in this frame, or did a moment ago."""
        whole, highs = self._bands
        heard, kept = near.astype(np.float64), left.astype(np.float64)
        found = whole.other(heard, kept), highs.other(np.diff(heard), np.diff(kept))
        self._other = self.STAYS if any(found) else max(0, self._other - 1)


class _Band:
    """Powers of what was heard and of what the canceller left, frame by frame."""

    RISES = 10 ** (3.0 / 10 * FRAME / SAMPLE_RATE)
    """What is left of a quiet room is taken to grow by 3 dB a second at most."""
    ABOVE = 4.0
    """Times the room's own power that somebody must have."""

    def __init__(self, other_db: float, smooth: float) -> None:
        self._share, self._smooth = 10 ** (other_db / 10), smooth
        self._all = self._left = 1.0
        self._room = AUDIBLE

    def other(self, heard: np.ndarray, left: np.ndarray) -> bool:
        self._left += self._smooth * (float(np.mean(left**2)) - self._left)
        self._all += self._smooth * (float(np.mean(heard**2)) - self._all)
        self._room = max(AUDIBLE / self.ABOVE, min(self._room * self.RISES, self._left))
        return self._left > self.ABOVE * self._room and self._left > self._share * self._all


class NoCanceller:
    """For a headset: the microphone does not hear the loudspeaker."""

    name = "none"

    def clean(self, near: np.ndarray, far: np.ndarray) -> Cleaned:
        return Cleaned(near, near)

    def forget(self) -> None:
        """Nothing is known."""


@dataclass(frozen=True)
class Echo:
    """How a loudspeaker comes back.

    delay: seconds, below 0 where the two are out of step. gain_db: its level over what was played; both None where no
    echo stands out.
    """

    delay: float | None
    gain_db: float | None

    @property
    def found(self) -> bool:
        return self.delay is not None


def measured(near: np.ndarray, far: np.ndarray) -> Echo:
    """How `far` comes back in `near`, both int16 at 16 kHz and in step: the peak of their cross-correlation.

    The spectrum of `far` is made flat first, so that a voice gives a peak as sharp as noise does.
    """
    most, early = round(LONGEST_WAY * SAMPLE_RATE), round(EARLY * SAMPLE_RATE)
    size = len(near) + len(far)
    played = np.fft.rfft(far.astype(np.float64), size)
    power = np.abs(played) ** 2
    if not power.max(initial=0.0):
        return Echo(None, None)
    flat = np.conj(played) / (power + 0.001 * power.max())
    way = np.fft.irfft(np.fft.rfft(near.astype(np.float64), size) * flat, size)
    way = np.concatenate([way[-early:], way[:most]])
    peak = int(np.argmax(np.abs(way)))
    chance = float(np.median(np.abs(way))) + 1e-12
    if abs(way[peak]) < CLEAR * chance:
        return Echo(None, None)
    # only what stands out belongs to the way; the rest is the room's noise
    taps = np.where(np.abs(way) > 3 * chance, way, 0.0)
    back = fftconvolve(far.astype(np.float64), taps)
    gain = 10 * np.log10(np.sum(back**2) / np.sum(far.astype(np.float64) ** 2) + 1e-12)
    return Echo((peak - early) / SAMPLE_RATE, float(gain))


def share_of(sound: np.ndarray, far: np.ndarray) -> float:
    """How much of `sound` is what was played at any time around it, 0 to 1: the largest squared correlation.

    far: what was played from `LONGEST_WAY` before the sound to `EARLY` after it. Both int16 at 16 kHz.
    """
    heard, played = (np.diff(one.astype(np.float64)) for one in (sound, far))
    if len(heard) < FRAME or len(played) < len(heard):
        return 0.0
    matched = fftconvolve(played, heard[::-1], "valid")
    powers = np.concatenate([[0.0], np.cumsum(played**2)])
    power = powers[len(heard) :] - powers[: -len(heard)]
    least = 0.01 * float(np.max(power, initial=0.0))
    if not least or not heard.any():
        return 0.0
    return float(np.max(matched**2 / (np.maximum(power, least) * np.sum(heard**2))))
