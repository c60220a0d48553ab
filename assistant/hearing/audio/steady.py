"""A loudspeaker whose stream stays open, that can wait in mid-sentence, and that tells what it gives out and when."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from assistant.hearing.audio.files import at_rate
from assistant.hearing.audio.live import BLOCK, LOOK, OPENING, PATIENCE, Loudspeaker
from assistant.hearing.audio.opening import closed, first, within
from assistant.hearing.audio.played import Played
from assistant.hearing.audio.portaudio import gone, mapped, rates
from assistant.hearing.audio.rate import SAMPLE_RATE

SOFT = 0.1
"""Share of its loudness that is left of a voice that goes on softly: 20 dB less."""


class Outgoing:
    """What a loudspeaker is given, block by block: a sound, and silence between sounds and while it is held.

    Whatever goes out goes into `played` too, at 16 kHz. rate: samples a second of the blocks.
    """

    def __init__(self, played: Played, rate: int = SAMPLE_RATE, clock: Callable[[], float] = time.monotonic) -> None:
        self.done = threading.Event()
        self.done.set()
        self.over = False
        self.last = clock()
        self._played, self._rate, self._clock = played, rate, clock
        self._sound = self._ready = np.zeros(0, np.int16)
        self._item, self._place = -1, 0
        self._held = self._ducked = False
        self._loudness = 1.0
        self._given = 0

    def begin(self, sound: np.ndarray, item: int) -> None:
        """Give this next. item: what `played` calls it."""
        self.done.clear()
        self._sound, self._item, self._place = sound, item, 0
        self._ready = sound if self._rate == SAMPLE_RATE else at_rate(sound, self._rate)
        self.last = self._clock()

    def hold(self) -> None:
        """Fall silent, and keep what was being said."""
        self._held = True

    def go_on(self) -> None:
        """Say what was being said from its beginning."""
        if self._held:
            self._held, self._place = False, 0

    def duck(self, low: bool) -> None:
        """Go on softly, so that somebody who speaks is heard, or at full loudness again."""
        self._ducked = low

    def cut(self) -> None:
        """Fall silent, and forget what was being said."""
        self._held = False
        self._ready = np.zeros(0, np.int16)
        self.done.set()

    def block(self, frames: int) -> np.ndarray:
        """The next block, int16 of shape (frames,)."""
        self.last = self._clock()
        before, self._given = self._given, self._given + frames
        count = self._at_16k(self._given) - self._at_16k(before)
        out = np.zeros(frames, np.int16)
        played = np.zeros(count, np.int16)
        if self._held or self.done.is_set():
            self._played.push(played)
            return out
        was, self._loudness = self._loudness, SOFT if self._ducked else 1.0
        piece = self._ready[self._place : self._place + frames]
        out[: len(piece)] = piece * np.linspace(was, self._loudness, frames)[: len(piece)]
        begin = self._at_16k(self._place)
        same = self._sound[begin : begin + count]
        played[: len(same)] = same * np.linspace(was, self._loudness, count)[: len(same)]
        self._played.push(played, self._item, begin)
        self._place += frames
        if self._place >= len(self._ready):
            self.done.set()
        return out

    def give(self, data: np.ndarray, frames: int, times: Any, status: Any) -> None:
        """From the thread of the sound library."""
        data[:, 0] = self.block(frames)

    def finished(self) -> None:
        """The stream has ended, though nobody asked."""
        self.over = True

    def _at_16k(self, frames: int) -> int:
        return frames * SAMPLE_RATE // self._rate


class SteadyLoudspeaker(Loudspeaker):
    """A `Loudspeaker` that stays open between sentences, so that an echo always takes the same time.

    item: what the next sound is called in `played`.
    """

    def __init__(self, played: Played, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self.item = -1
        self._played = played
        self._stream: Any = None
        self._out: Outgoing | None = None
        self._held = self._ducked = False

    def hold(self) -> None:
        """Fall silent in mid-sentence; from any thread."""
        self._held = True
        if self._out is not None:
            self._out.hold()

    def go_on(self) -> None:
        """Say the sentence from its beginning; from any thread."""
        self._held = False
        if self._out is not None:
            self._out.go_on()

    def duck(self, low: bool) -> None:
        """Go on softly, or at full loudness again; from any thread."""
        self._ducked = low
        if self._out is not None:
            self._out.duck(low)

    def stop(self) -> None:
        """Fall silent at once; from any thread."""
        super().stop()
        self._held = False
        if self._out is not None:
            self._out.cut()

    def close(self) -> None:
        """Give the device back; the next sound opens it again."""
        stream, self._stream, self._out = self._stream, None, None
        closed(stream)
        self._played.forget()

    def _play(self, sound: np.ndarray) -> None:
        out = self._running()
        out.duck(self._ducked)
        if self._held:
            out.hold()
        out.begin(sound, self.item)
        while not out.done.wait(LOOK / 5):
            if self._stop.is_set():
                out.cut()
                return
            if out.over or self._clock() - out.last > PATIENCE:
                self.close()
                raise gone("loudspeaker")
        # What the device has taken still has to sound.
        self._stop.wait(float(self._stream.latency) if self._stream is not None else 0.0)

    def _running(self) -> Outgoing:
        if self._out is not None and (self._out.over or self._clock() - self._out.last > PATIENCE):
            self.close()
        if self._stream is None:
            self._stream = within(OPENING, "loudspeaker", self._opened)
            self._worked = True
        assert self._out is not None, "a stream that runs has something to give"
        return self._out

    def _opened(self) -> Any:
        place, device = self._place()
        return first(rates(device), lambda rate: self._begun(place, rate))

    def _begun(self, place: int | None, rate: int) -> Any:
        self._out = Outgoing(self._played, rate, self._clock)
        with mapped(self._sounddevice, "loudspeaker", lost=self._worked):
            stream = self._sounddevice.OutputStream(
                samplerate=rate,
                blocksize=round(BLOCK * rate),
                device=place,
                channels=1,
                dtype="int16",
                latency="low",
                callback=self._out.give,
                finished_callback=self._out.finished,
            )
            stream.start()
        return stream
