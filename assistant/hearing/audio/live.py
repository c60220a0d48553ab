"""A live microphone and loudspeaker. Both may go away at any moment and come back."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from typing import Any

import numpy as np

from assistant.errors import AudioError, DeviceLost
from assistant.hearing.audio.files import at_rate
from assistant.hearing.audio.gate import Gate
from assistant.hearing.audio.opening import closed, first, is_opening, within
from assistant.hearing.audio.played import Far, Played
from assistant.hearing.audio.portaudio import Chosen, Device, again, find, gone, library, mapped, rates
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.audio.resample import StreamResampler

BLOCK = 0.03
"""Seconds of one chunk."""
PATIENCE = 2.0
"""Seconds without a chunk after which a device is taken for gone."""
LOOK = 0.1
"""Seconds between two looks at the clock while nothing comes."""
OPENING = 10.0
"""Longest wait, in seconds, for a device to open; one that dies meanwhile may never answer."""
NOTHING = Far(np.zeros(0, np.int16))
"""What comes with a chunk where nobody asks what was played."""


class Microphone:
    """int16 chunks at 16 kHz from the default input, or from the one that `device` names (see `portaudio.named`).

    gate: chunks that come while it is shut are thrown away. clock: seconds that only grow.
    played: what the loudspeaker is given; each chunk then comes with what was played meanwhile.
    """

    def __init__(
        self,
        gate: Gate | None = None,
        device: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        sounddevice: Any = None,
        played: Played | None = None,
    ) -> None:
        self.gate = gate or Gate(clock=clock)
        self._played = played
        self._chosen = Chosen("input", device)
        self._clock = clock
        self._sounddevice = sounddevice
        self._chunks: queue.Queue[tuple[np.ndarray, Far]] = queue.Queue()
        self._stream: Any = None
        self._resampler = StreamResampler(SAMPLE_RATE)
        self._last = 0.0
        self._over = False

    def open(self) -> None:
        """Begin to listen. Raises AudioError, MissingLibrary."""
        self._sounddevice = self._sounddevice or library()
        self._chunks = queue.Queue()
        self._over = False
        self._last = self._clock()
        self._stream = within(OPENING, "microphone", self._looked_for)

    def chunks(self) -> Iterator[np.ndarray]:
        """Chunks as they come, without end. Raises DeviceLost when the device is gone.

        When the caller stops asking, push-to-talk waits for the next key.
        """
        pairs = self.pairs()
        try:
            for chunk, _ in pairs:
                yield chunk
        finally:
            pairs.close()

    def pairs(self) -> Generator[tuple[np.ndarray, Far], None, None]:
        """As `chunks`, each with what was played meanwhile."""
        if self._stream is None:
            raise gone("microphone")
        try:
            while True:
                try:
                    chunk = self._chunks.get(timeout=LOOK)
                except queue.Empty:
                    if self._over or self._clock() - self._last > PATIENCE:
                        self.close()
                        raise gone("microphone") from None
                    continue
                if len(chunk[0]):
                    yield chunk
        finally:
            self.gate.heard()

    def reopen(self) -> bool:
        """Try to get a lost device back; whether it worked."""
        if is_opening():
            return False
        self.close()
        try:
            again(self._sounddevice or library())
            self.open()
        except AudioError:
            return False
        return True

    def close(self) -> None:
        """Stop listening."""
        stream, self._stream = self._stream, None
        closed(stream)

    def _looked_for(self) -> Any:
        device = self._chosen.look(self._sounddevice)
        place = None if device is None or self._chosen.is_default else device.place
        return first(rates(device), lambda rate: self._started(place, rate))

    def _started(self, place: int | None, rate: int) -> Any:
        self._resampler = StreamResampler(rate)
        with mapped(self._sounddevice, "microphone"):
            stream = self._sounddevice.InputStream(
                samplerate=rate,
                blocksize=round(BLOCK * rate),
                device=place,
                channels=1,
                dtype="int16",
                callback=self._take,
                finished_callback=self._finished,
            )
            stream.start()
        return stream

    def _take(self, data: np.ndarray, frames: int, times: Any, status: Any) -> None:
        """From the thread of the sound library."""
        self._last = self._clock()
        chunk = self._resampler.push(data[:, 0].copy())
        far = self._played.take(len(chunk)) if self._played is not None else NOTHING
        if self.gate.is_open:
            self._chunks.put((chunk, far))

    def _finished(self) -> None:
        self._over = True


class Loudspeaker:
    """Plays int16 at 16 kHz on the default output, or on the one that `device` names. A `Sink` for the voice.

    again: looks for devices anew without losing the microphone, which the sound library's own way would close.
    """

    def __init__(
        self,
        gate: Gate | None = None,
        device: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        sounddevice: Any = None,
    ) -> None:
        self.gate = gate or Gate(clock=clock)
        self._chosen = Chosen("output", device)
        self._clock = clock
        self._sounddevice = sounddevice
        self._stop = threading.Event()
        self._worked = False
        self._lost = False
        self.again: Callable[[], bool] = self.reopen

    def play(self, sound: np.ndarray) -> None:
        """Play int16 of shape (n,); return when it has ended or `stop` was called.

        The gate is shut meanwhile. One that was named and lost is looked for anew before. Raises AudioError,
        DeviceLost, MissingLibrary.
        """
        self._sounddevice = self._sounddevice or library()
        self._stop.clear()
        with self.gate.speaking():
            if self._lost and not self._chosen.is_default:
                self.again()
            try:
                self._play(sound)
            except DeviceLost:
                self._lost = True
                raise
            self._lost = False

    def look(self) -> None:
        """Find the device without playing. Raises AudioError when it was named and is not there, MissingLibrary."""
        self._sounddevice = self._sounddevice or library()
        self._chosen.look(self._sounddevice)

    def is_among(self, names: Sequence[str]) -> bool:
        """Whether the device that is meant is one of those."""
        return self._chosen.is_default or self._chosen.is_among(names)

    def close(self) -> None:
        """Nothing is open between two sounds."""

    def stop(self) -> None:
        """Fall silent at once; from any thread."""
        self._stop.set()

    def reopen(self) -> bool:
        """Look for the device anew; whether there is one."""
        sounddevice = self._sounddevice or library()
        if is_opening():
            return False
        try:
            again(sounddevice)
            if self._chosen.is_default:
                return bool(find("output", sounddevice))
            self._chosen.look(sounddevice)
        except AudioError:
            return False
        return True

    def _play(self, sound: np.ndarray) -> None:
        playing = _Playing(sound, self._clock)
        stream = within(
            OPENING,
            "loudspeaker",
            lambda: self._looked_for(playing),
        )
        self._worked = True
        try:
            latency = float(stream.latency)
            while not playing.done.wait(LOOK / 5):
                if self._stop.is_set():
                    return
                if playing.over or self._clock() - playing.last > PATIENCE:
                    raise gone("loudspeaker")
            # What the device has taken still has to sound.
            self._stop.wait(latency)
        finally:
            closed(stream)

    def _looked_for(self, playing: _Playing) -> Any:
        place, device = self._place()
        return first(rates(device), lambda rate: self._started(playing, place, rate))

    def _place(self) -> tuple[int | None, Device | None]:
        """Where the device stands in the sound library's list, None for its own default; and the device."""
        try:
            device = self._chosen.look(self._sounddevice)
        except AudioError as error:
            if self._worked:
                raise gone("loudspeaker") from error
            raise
        return None if device is None or self._chosen.is_default else device.place, device

    def _started(self, playing: _Playing, place: int | None, rate: int) -> Any:
        playing.load(rate)
        with mapped(self._sounddevice, "loudspeaker", lost=self._worked):
            stream = self._sounddevice.OutputStream(
                samplerate=rate,
                blocksize=round(BLOCK * rate),
                device=place,
                channels=1,
                dtype="int16",
                callback=playing.give,
                finished_callback=playing.finished,
            )
            stream.start()
        return stream


class _Playing:
    """One sound on its way out, handed over from the thread of the sound library."""

    def __init__(self, sound: np.ndarray, clock: Callable[[], float]) -> None:
        self._sound = sound
        self._clock = clock
        self._ready = sound
        self._place = 0
        self.last = clock()
        self.done = threading.Event()
        self.over = False

    def load(self, rate: int) -> None:
        """Make ready for a device of that rate."""
        self._ready = self._sound if rate == SAMPLE_RATE else at_rate(self._sound, rate)
        self._place = 0
        self.last = self._clock()
        self.over = False

    def give(self, data: np.ndarray, frames: int, times: Any, status: Any) -> None:
        self.last = self._clock()
        piece = self._ready[self._place : self._place + frames]
        data[: len(piece), 0] = piece
        data[len(piece) :] = 0
        self._place += frames
        if self._place >= len(self._ready):
            self.done.set()

    def finished(self) -> None:
        self.over = True
