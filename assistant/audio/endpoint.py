"""Where an utterance begins and ends in a stream of sound.

PocketSphinx's endpointer decides what is speech; this module adds what a
short spoken answer needs around it: sound from before the first phone, a wait
before an utterance is closed, a longest length, and the level above the room.
It knows no words, and gives the same result however the stream is cut into chunks.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import pocketsphinx

from assistant.errors import EngineError

SAMPLE_RATE = 16_000
FULL_SCALE = 32_768.0
MOST_SUDDEN = 8
"""Frames after which the level of the room is taken as known, and that are held against it."""
HUSH_FRAMES = 30
FLOOR_PERCENT = 20
"""Share of frames, in percent, that even a fast talker leaves to the room."""


@dataclass(frozen=True)
class EndpointSettings:
    """How speech is told from the room.

    window: seconds over which speech frames are counted (0.12 to 0.6).
    ratio: share of the window that must be speech to begin (0.5 to 0.95); as
        much silence ends it. A short "yes" holds about 0.2 s of voiced sound,
        so window times ratio stays below that.
    hold: seconds of silence waited for after the window has turned silent (0.1
        to 1). Measured from the last sound to the close this gives about
        window * ratio + hold, 0.42 s with the values below.
    pre_roll: seconds kept from before the window in which speech was found (0 to 1).
    longest: seconds after which an utterance is closed in any case (2 to 60).
    strictness: of the voice detector, 0 (takes much for speech) to 3.
    dither: standard deviation of added noise, in steps of 16 bits (0 to 20). The
        noise tracking of the recogniser fails on exact zeros.
    seed: of the dither.
    room_level: root mean square, in steps of 16 bits, that a louder room is turned down
        to before the voice detector hears it (5 to 2000). The detector compares with
        fixed levels and takes any loud steady noise for speech.
    room_window: seconds over which the room is watched (1 to 20).
    rise: dB by which the louder half of the last frames must also stand above the quiet ones
        (0 to 12), because the detector takes the first seconds in a new room for speech.
    """

    window: float = 0.24
    ratio: float = 0.6
    hold: float = 0.27
    pre_roll: float = 0.24
    longest: float = 12.0
    strictness: int = 2
    dither: float = 2.0
    seed: int = 1
    room_level: float = 80.0
    room_window: float = 4.0
    rise: float = 3.0

    def __post_init__(self) -> None:
        limits = {
            "window": (0.12, 0.6),
            "ratio": (0.5, 0.95),
            "hold": (0.1, 1.0),
            "pre_roll": (0.0, 1.0),
            "longest": (2.0, 60.0),
            "strictness": (0, 3),
            "dither": (0.0, 20.0),
            "room_level": (5.0, 2000.0),
            "room_window": (1.0, 20.0),
            "rise": (0.0, 12.0),
        }
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise EngineError(f"The endpoint setting '{name}' is {value}.", f"Choose a value from {low} to {high}.")


@dataclass(frozen=True)
class Began:
    """Speech began. at: seconds since listening began. sound: what is kept so far, int16."""

    at: float
    sound: np.ndarray


@dataclass(frozen=True)
class More:
    """The utterance goes on. sound: the next samples, int16."""

    sound: np.ndarray


@dataclass(frozen=True)
class Ended:
    """The utterance is over.

    sound: all of it, int16 at 16 kHz, with pre-roll and the closing silence.
    level_db: mean level of its louder half above the room's, or None when the room was not heard yet.
    """

    at: float
    sound: np.ndarray
    level_db: float | None


Piece = Began | More | Ended


class Endpointer:
    """Cuts one stream into utterances. Feed it with `push`, close it with `flush`."""

    def __init__(self, settings: EndpointSettings | None = None) -> None:
        self.settings = settings or EndpointSettings()
        self._random = np.random.default_rng(self.settings.seed)
        self._detector = self._new_detector()
        self.frame = self._detector.frame_bytes // 2
        seconds = self._detector.frame_length
        self._hold_frames = max(1, round(self.settings.hold / seconds))
        self._longest_frames = round(self.settings.longest / seconds)
        before = round((self.settings.pre_roll + self.settings.window) / seconds)
        self._before: deque[np.ndarray] = deque(maxlen=max(1, before))
        self._room: deque[float] = deque(maxlen=round(self.settings.room_window / seconds))
        self._rest = np.zeros(0, dtype=np.int16)
        self._frames_seen = 0
        self._utterance: list[np.ndarray] = []
        self._silent = 0

    @property
    def in_speech(self) -> bool:
        """Whether an utterance is open."""
        return bool(self._utterance)

    @property
    def room_dbfs(self) -> float | None:
        """Level of the room without speech, dB below full scale; None when unheard."""
        if len(self._room) < MOST_SUDDEN:
            return None
        return 10 * float(np.log10(self._floor() / FULL_SCALE**2))

    def push(self, chunk: np.ndarray) -> list[Piece]:
        """Take any number of int16 samples; return what became clear, oldest first."""
        if chunk.dtype != np.int16 or chunk.ndim != 1:
            raise EngineError(f"Sound came as {chunk.dtype} with {chunk.ndim} dimensions.", "Give int16 samples of one channel at 16 kHz.")
        self._rest = np.concatenate([self._rest, chunk])
        pieces: list[Piece] = []
        while len(self._rest) >= self.frame:
            frame, self._rest = self._rest[: self.frame], self._rest[self.frame :]
            pieces += self._take(self._dithered(frame))
        return pieces

    def flush(self) -> list[Piece]:
        """End of the stream: close an utterance that is still open."""
        pieces: list[Piece] = []
        if len(self._rest):
            padded = np.zeros(self.frame, dtype=np.int16)
            padded[: len(self._rest)] = self._rest
            self._rest = np.zeros(0, dtype=np.int16)
            pieces += self._take(self._dithered(padded))
        if self._utterance:
            pieces.append(self._close())
        return pieces

    def drop(self) -> None:
        """Begin to listen anew: time starts at 0, a half-heard utterance is forgotten, what is known of the room stays."""
        self._frames_seen = 0
        self._rest = np.zeros(0, dtype=np.int16)
        self._before.clear()
        self._utterance = []
        self._silent = 0
        if self._detector.in_speech:
            self._detector = self._new_detector()

    def _new_detector(self) -> pocketsphinx.Endpointer:
        settings = self.settings
        try:
            detector = pocketsphinx.Endpointer(settings.window, settings.ratio, settings.strictness, SAMPLE_RATE)
        except (ValueError, RuntimeError) as error:
            raise EngineError(f"The voice detector refuses its settings ({error}).", "Choose a longer window or a ratio nearer to 0.6.") from error
        # Fresh from the box the detector takes its first frames for speech, whatever they are.
        hush = np.random.default_rng(settings.seed).normal(0.0, settings.room_level, (HUSH_FRAMES, detector.frame_bytes // 2))
        for frame in hush.astype(np.int16):
            detector.process(frame.tobytes())
        return detector

    def _dithered(self, frame: np.ndarray) -> np.ndarray:
        noise = self._random.normal(0.0, self.settings.dither, self.frame) if self.settings.dither else 0.0
        return np.clip(np.rint(frame + noise), -32768, 32767).astype(np.int16)

    def _take(self, frame: np.ndarray) -> list[Piece]:
        self._frames_seen += 1
        self._room.append(_power(frame))
        quiet = min(1.0, self.settings.room_level / float(np.sqrt(self._floor())))
        self._detector.process((frame * quiet).astype(np.int16).tobytes())
        speaking = self._detector.in_speech and self._stands_out()
        if not self._utterance:
            self._before.append(frame)
            if not speaking:
                return []
            self._utterance = list(self._before)
            self._before.clear()
            self._silent = 0
            kept = len(self._utterance)
            return [Began((self._frames_seen - kept) * self._detector.frame_length, np.concatenate(self._utterance))]
        self._utterance.append(frame)
        pieces: list[Piece] = [More(frame)]
        self._silent = 0 if speaking else self._silent + 1
        if self._silent >= self._hold_frames or len(self._utterance) >= self._longest_frames:
            pieces.append(self._close())
        return pieces

    def _stands_out(self) -> bool:
        """Whether the last frames are louder than the room."""
        late = np.sort(np.array(self._room)[-MOST_SUDDEN:])
        return float(late[len(late) // 2 :].mean()) >= self._floor() * 10 ** (self.settings.rise / 10)

    def _floor(self) -> float:
        """Mean square of the quiet frames of late."""
        return float(np.percentile(self._room, FLOOR_PERCENT))

    def _close(self) -> Ended:
        frames, self._utterance = self._utterance, []
        begun = (self._frames_seen - len(frames)) * self._detector.frame_length
        room = self.room_dbfs
        powers = np.sort([_power(frame) for frame in frames])
        level = 10 * float(np.log10(powers[len(powers) // 2 :].mean() / FULL_SCALE**2))
        return Ended(begun, np.concatenate(frames), None if room is None else level - room)


def _power(frame: np.ndarray) -> float:
    """Mean square of a frame, at least a thousandth of a step squared."""
    return max(float(np.mean(np.square(frame, dtype=np.float64))), 1e-3)
