"""The microphone while the loudspeaker sounds: our own voice taken out, and what we were saying at each sample."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from assistant.hearing.audio.echo import AUDIBLE, EARLY, FRAME, LONGEST_WAY, Canceller, measured, share_of
from assistant.hearing.audio.played import Cleaned, Far, Played, Span
from assistant.hearing.audio.rate import SAMPLE_RATE

REMEMBERED = 20.0
"""Seconds of what was said and how loud it came back that are kept."""
KEPT = 8.0
"""Seconds of sound that are kept."""
LOOKS, LOOKED_AT = 1.0, 2.5
"""Seconds between two looks at how far the echo is behind what was played, and of sound that is looked at."""
LEAST, MOST, GOAL = 0.01, 0.4, 0.06
"""Seconds that the echo may be behind, and that it is put to where it is not."""
WATCHED, FEW, MOSTLY = 4.0, 30, 0.6
"""Seconds that are looked at, frames that say something, and share of them in which nine tenths must be taken out."""
LOUDEST = 10
"""Frames of 10 ms."""
Pairs = Callable[[], Iterator[tuple[np.ndarray, Far]]]


class Duplex:
    """pairs: gives, for each utterance, chunks of the microphone with what was played meanwhile. played: where what
    was played comes from, so that it can be put in step again.

    position: samples handed on so far; everything here is counted in them.
    """

    def __init__(self, pairs: Pairs, canceller: Canceller, played: Played | None = None) -> None:
        self.canceller = canceller
        self.position = 0
        self._pairs = pairs
        self._near = self._far = np.zeros(0, np.int16)
        self._played = played
        self._ahead = 0
        self._looked = 0
        silent = np.zeros(round(KEPT * SAMPLE_RATE), np.int16)
        self._late = (silent, silent, silent)
        self._spans: deque[Span] = deque()
        self._powers: deque[tuple[float, float, float]] = deque(maxlen=round(REMEMBERED * SAMPLE_RATE / FRAME))

    def chunks(self) -> Iterator[Cleaned]:
        """Sound without our own voice, as it comes. Raises DeviceLost."""
        for near, far in self._pairs():
            clean = self.push(near, far)
            if len(clean.others):
                yield clean

    def push(self, near: np.ndarray, far: Far) -> Cleaned:
        """The next samples of the microphone and what was played meanwhile; what is ready of the first, cleaned."""
        self._spans.extend(replace(one, start=one.start + self._ahead) for one in far.spans)
        self._ahead += len(near)
        self._near = np.concatenate([self._near, near])
        self._far = np.concatenate([self._far, far.sound])
        ready = len(self._near) // FRAME * FRAME
        if not ready:
            return Cleaned(self._near[:0], self._near[:0])
        heard, played = self._near[:ready], self._far[:ready]
        self._near, self._far = self._near[ready:], self._far[ready:]
        clean = self.canceller.clean(heard, played)
        self._powers.extend(zip(_powers(heard), _powers(clean.others), _powers(played), strict=True))
        self.position += ready
        self._late = tuple(  # type: ignore[assignment]
            np.concatenate([old[len(new) :], new])[-len(old) :]
            for old, new in zip(self._late, (heard, played, clean.whole), strict=True)
        )
        self._keep_step()
        while self._spans and self._spans[0].start < self.position - REMEMBERED * SAMPLE_RATE:
            self._spans.popleft()
        return clean

    @property
    def taken(self) -> int:
        """Samples of the microphone so far; the last few may still wait to be handed on."""
        return self._ahead

    def forget(self) -> None:
        """A device was opened anew."""
        self.canceller.forget()

    def said(self, start: int, end: int) -> list[Span]:
        """What we were saying between two positions, oldest first; start and end of a span are positions."""
        return [one for one in self._spans if one.start < end and one.start + one.length > start]

    def is_clean(self, before: int) -> bool:
        """Whether our voice was taken out in the seconds before a position, as far as it came back at all."""
        last = max(0, len(self._powers) - (self.position - before) // FRAME)
        late = list(self._powers)[max(0, last - round(WATCHED * SAMPLE_RATE / FRAME)) : last]
        ours = [(near, clean) for near, clean, far in late if far > AUDIBLE and near > AUDIBLE]
        if len(ours) < FEW:
            return True
        room = 4 * float(np.percentile([clean for _, clean, _ in self._powers], 10))
        return sum(clean < max(0.1 * near, room) for near, clean in ours) >= MOSTLY * len(ours)

    def own_share(self, start: int, end: int) -> float:
        """How much of the sound between two positions is what we played around that time, 0 to 1."""
        _, far, whole = self._late
        first, last = (len(far) - (self.position - at) for at in (start, end))
        before, after = round(LONGEST_WAY * SAMPLE_RATE), round(EARLY * SAMPLE_RATE)
        first = max(before, first)
        heard = np.concatenate([far, np.zeros(after, np.int16)])
        return share_of(whole[first:last], heard[first - before : last + after])

    def _keep_step(self) -> None:
        """Where a busy machine lost pieces, what was played may come too late or far too early to be taken out."""
        if self._played is None or self.position - self._looked < LOOKS * SAMPLE_RATE:
            return
        self._looked = self.position
        near, far, _ = (one[-round(LOOKED_AT * SAMPLE_RATE) :] for one in self._late)
        if np.mean(far.astype(np.float64) ** 2) < AUDIBLE:
            return
        echo = measured(near, far)
        if echo.delay is None or LEAST <= echo.delay <= MOST:
            return
        self._played.shift(round((GOAL - echo.delay) * SAMPLE_RATE))
        self._looked = self.position + round(LOOKED_AT * SAMPLE_RATE)
        self.canceller.forget()

    def left_db(self, start: int, end: int) -> float:
        """How much the canceller left of the sound between two positions, dB: about 0 where somebody else spoke, far
        less where it was our own voice. The loudest tenth of a second of what is left counts."""
        first = len(self._powers) - (self.position - start) // FRAME
        last = len(self._powers) - (self.position - end) // FRAME
        chosen = sorted(list(self._powers)[max(0, first) : max(0, last)], key=lambda pair: pair[1])
        if not chosen:
            return 0.0
        near, clean, _ = np.sum(chosen[-LOUDEST:], axis=0)
        return 10 * float(np.log10((clean + 1e-9) / (near + 1e-9)))


def _powers(sound: np.ndarray) -> list[float]:
    """Mean square of each frame."""
    return list(np.mean(sound.reshape(-1, FRAME).astype(np.float64) ** 2, axis=1).tolist())
