"""What the loudspeaker was given, beside what the microphone brought at the same time.

Both go by the same count of samples: for every sample that the microphone brings, one that was played is taken. How
long a sound takes from here through the air and back is not known here; whoever takes echo out finds it.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass

import numpy as np

from assistant.hearing.audio.rate import SAMPLE_RATE

CUSHION = 0.03
"""Seconds of silence put before what is played after a gap, so that one late block tears no hole. Any sound needs
longer than this from a buffer into the air and back."""
MOST = 0.5
"""Seconds that may wait; more than any loudspeaker holds, so what is older belongs to a microphone that stood still."""


@dataclass(frozen=True)
class Span:
    """A stretch of one sentence or tone. start: samples from the beginning of what it is part of. place: samples
    into the item's own sound."""

    start: int
    length: int
    item: int
    place: int


@dataclass(frozen=True)
class Far:
    """What was played while so many samples came in. sound: int16 at 16 kHz. spans: which items it holds."""

    sound: np.ndarray
    spans: tuple[Span, ...] = ()


@dataclass(frozen=True)
class Cleaned:
    """A stretch without our voice, int16 at 16 kHz. others: nothing but who else speaks, to tell when. whole: what
    they say, with more of our voice beside it."""

    others: np.ndarray
    whole: np.ndarray


class Played:
    """Filled from the loudspeaker's thread with `push`, emptied from the microphone's with `take`."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pieces: deque[tuple[np.ndarray, int, int]] = deque()
        self._waiting = 0

    def push(self, sound: np.ndarray, item: int = -1, place: int = 0) -> None:
        """int16 at 16 kHz on its way out. item: number of the sentence or tone, -1 for silence between them."""
        with self._lock:
            if not self._waiting:
                self._add(np.zeros(round(CUSHION * SAMPLE_RATE), np.int16), -1, 0)
            self._add(sound, item, place)
            while self._waiting > MOST * SAMPLE_RATE:
                self._waiting -= len(self._pieces.popleft()[0])

    def take(self, count: int) -> Far:
        """The next `count` samples, silence where nothing was played."""
        out = np.zeros(count, np.int16)
        spans: list[Span] = []
        at = 0
        with self._lock:
            while at < count and self._pieces:
                sound, item, place = self._pieces.popleft()
                piece, rest = sound[: count - at], sound[count - at :]
                out[at : at + len(piece)] = piece
                if item >= 0 and len(piece):
                    spans.append(Span(at, len(piece), item, place))
                at += len(piece)
                self._waiting -= len(piece)
                if len(rest):
                    self._pieces.appendleft((rest, item, place + len(piece)))
        return Far(out, tuple(spans))

    def shift(self, samples: int) -> None:
        """Let what was played come so much earlier, as far as it is there, or (below 0) so much later."""
        with self._lock:
            if samples < 0:
                self._pieces.appendleft((np.zeros(-samples, np.int16), -1, 0))
                self._waiting -= samples
            while samples > 0 and self._pieces:
                sound, item, place = self._pieces.popleft()
                cut = min(samples, len(sound))
                samples -= cut
                self._waiting -= cut
                if cut < len(sound):
                    self._pieces.appendleft((sound[cut:], item, place + cut))

    def forget(self) -> None:
        """A device was opened anew; what waits belongs to the old one."""
        with self._lock:
            self._pieces.clear()
            self._waiting = 0

    def _add(self, sound: np.ndarray, item: int, place: int) -> None:
        self._pieces.append((sound, item, place))
        self._waiting += len(sound)
