"""Where an utterance begins and ends in a stream of sound.

A detector (`detectors.py`) decides what is speech; this module adds what a
short spoken answer needs around it: sound from before the first phone, a wait
before an utterance is closed, a longest length, the level above the room, and
the difference between the talker and a voice further away. It knows no words,
and gives the same result however the stream is cut into chunks.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from assistant.errors import EngineError
from assistant.hearing.audio.detectors import FULL_SCALE, MOST_SUDDEN, Detector, best_detector, louder_half
from assistant.hearing.audio.rate import SAMPLE_RATE

FLOOR_PERCENT = 20
"""Share of frames, in percent, that even a fast talker leaves to the room."""
LOUD_PERCENT = 80
"""The room's loud moments."""
ROOM_DB = 1.0
"""Sound within so much of the room's loud moments may be the room's."""
LEAST_FALL_DB = 6.0
"""No sound nearer than this to the utterance's own level is ever taken for the room's."""
OTHERS = 0.3
"""Share of frames with speech before an utterance that shows that others talk."""
BREATH_DB = 6.0
"""Sound so far above the room's loud moments, and not fallen, may be a word without voice: a whisper."""
RECENT = 5
"""Utterances; one far softer than another of these was somebody else's."""


@dataclass(frozen=True)
class EndpointSettings:
    """How an utterance is cut out.

    hold: seconds of silence waited for after the detector says silence (0.1 to
        1). The detector itself takes about 0.1 s, so an utterance closes some
        0.4 s after its last sound.
    breath: seconds waited for instead while the sound has not fallen and stands clear of the room (0.1 to 1): a word
        that is breathed is no speech to the detector.
    pause: seconds of silence after which the words so far may well be all, so
        that a decoder can begin to decide (0.05 to 1).
    fall: dB by which sound must lie under the utterance's own level to count as
        silence whatever the detector says (6 to 40), where others talk or
        nothing is known of the room: a voice further away is not the talker.
    alone: the same where nobody was heard before (6 to 40). Some talkers fade
        by 10 dB within a number.
    rise: dB by which a voice must lie above all that came before to show that
        it was not the talker (3 to 40).
    low: seconds of such softer sound that end an utterance (0.1 to 1).
    before: seconds kept from before speech was found (0 to 1).
    breathed_before: seconds kept at most where the sound stood clear of the room before that, with no gap longer than
        `hold` (0 to 2): a number may begin with a word that is breathed.
    longest: seconds after which an utterance is closed in any case (2 to 60).
    dither: standard deviation of added noise, in steps of 16 bits (0 to 20). The
        noise tracking of the recogniser fails on exact zeros.
    seed: of the dither.
    room_window: seconds over which the room is watched (1 to 20).
    """

    hold: float = 0.2
    breath: float = 0.5
    pause: float = 0.1
    fall: float = 8.5
    alone: float = 14.0
    rise: float = 9.0
    low: float = 0.32
    before: float = 0.48
    breathed_before: float = 1.2
    longest: float = 12.0
    dither: float = 2.0
    seed: int = 1
    room_window: float = 4.0

    def __post_init__(self) -> None:
        limits = {
            "hold": (0.1, 1.0),
            "breath": (0.1, 1.0),
            "pause": (0.05, 1.0),
            "fall": (6.0, 40.0),
            "alone": (6.0, 40.0),
            "rise": (3.0, 40.0),
            "low": (0.1, 1.0),
            "before": (0.0, 1.0),
            "breathed_before": (0.0, 2.0),
            "longest": (2.0, 60.0),
            "dither": (0.0, 20.0),
            "room_window": (1.0, 20.0),
        }
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise EngineError(f"The endpoint setting '{name}' is {value}.", f"Choose a value from {low} to {high}.")


@dataclass(frozen=True)
class Began:
    """Speech began, or a nearer talker took over and what was kept so far is void.

    at: seconds since listening began. sound: what is kept so far, int16.
    """

    at: float
    sound: np.ndarray


@dataclass(frozen=True)
class More:
    """The utterance goes on. sound: the next samples, int16."""

    sound: np.ndarray


@dataclass(frozen=True)
class Paused:
    """The utterance may be over. sound: all of it so far, int16."""

    sound: np.ndarray


@dataclass(frozen=True)
class Ended:
    """The utterance is over.

    sound: all of it, int16 at 16 kHz, with what came before and the closing silence.
    after_pause: whether nothing was said since the last `Paused`.
    level_db: mean level of its louder half above the room's, or None when the room was not heard yet.
    """

    at: float
    sound: np.ndarray
    level_db: float | None
    after_pause: bool = False


Piece = Began | More | Paused | Ended


class Endpointer:
    """Cuts one stream into utterances. Feed it with `push`, close it with `flush`."""

    def __init__(self, settings: EndpointSettings | None = None, detector: Detector | None = None) -> None:
        self.settings = settings or EndpointSettings()
        self._random = np.random.default_rng(self.settings.seed)
        self._detector = detector or best_detector()
        self.frame = self._detector.frame
        self._seconds = self.frame / SAMPLE_RATE
        self._kept_before = self._frames(self.settings.before)
        longest = max(self._kept_before, self._frames(self.settings.breathed_before))
        self._before: deque[np.ndarray] = deque(maxlen=longest)
        self._room: deque[float] = deque(maxlen=self._frames(self.settings.room_window))
        # power, and whether somebody spoke, of frames outside of the talker's utterances: those are not the room's
        self._outside: deque[tuple[float, bool]] = deque(maxlen=self._room.maxlen)
        self._rest = self._whole = np.zeros(0, dtype=np.int16)
        self._frames_seen = 0
        self._utterance: list[np.ndarray] = []
        self._powers: list[float] = []
        self._spoken: list[bool] = []
        self._levels: deque[float] = deque(maxlen=RECENT)
        self._silent = self._low = 0
        self._paused = False
        self._room_loud = 0.0
        self._fall = self.settings.fall

    def _frames(self, seconds: float) -> int:
        return max(1, round(seconds / self._seconds))

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

    def push(self, chunk: np.ndarray, whole: np.ndarray | None = None) -> list[Piece]:
        """Take any number of int16 samples; return what became clear, oldest first.

        whole: the same stretch as it is to be kept, where what tells speech from silence is not what is heard best.
        """
        if chunk.dtype != np.int16 or chunk.ndim != 1:
            raise EngineError(
                f"Sound came as {chunk.dtype} with {chunk.ndim} dimensions.",
                "Give int16 samples of one channel at 16 kHz.",
            )
        self._rest = np.concatenate([self._rest, chunk])
        self._whole = np.concatenate([self._whole, chunk if whole is None else whole])
        pieces: list[Piece] = []
        while len(self._rest) >= self.frame:
            frame, self._rest = self._rest[: self.frame], self._rest[self.frame :]
            kept, self._whole = self._whole[: self.frame], self._whole[self.frame :]
            noise = self._noise()
            pieces += self._take(_sum(frame, noise), _sum(kept, noise))
        return pieces

    def flush(self) -> list[Piece]:
        """End of the stream: close an utterance that is still open."""
        pieces: list[Piece] = []
        if len(self._rest):
            missing, noise = (0, self.frame - len(self._rest)), self._noise()
            frame, kept = np.pad(self._rest, missing), np.pad(self._whole, missing)
            self._rest = self._whole = np.zeros(0, dtype=np.int16)
            pieces += self._take(_sum(frame, noise), _sum(kept, noise))
        if self._utterance:
            pieces.append(self._close())
        return pieces

    def drop(self) -> None:
        """Begin to listen anew: time starts at 0, a half-heard utterance is forgotten, what is known of the room
        stays."""
        self._frames_seen = 0
        self._rest = self._whole = np.zeros(0, dtype=np.int16)
        self._before.clear()
        self._utterance = []
        self._detector.forget()

    def _noise(self) -> np.ndarray:
        return self._random.normal(0.0, self.settings.dither, self.frame) if self.settings.dither else np.zeros(1)

    def _take(self, frame: np.ndarray, kept: np.ndarray) -> list[Piece]:
        self._frames_seen += 1
        power = _power(frame)
        self._room.append(power)
        speaking = self._detector.speaking(frame, self._room, self._floor)
        if not self._utterance:
            self._before.append(kept)
            self._outside.append((power, speaking))
            if not speaking:
                return []
            return [self._begin_here()]
        self._utterance.append(kept)
        self._powers.append(power)
        self._spoken.append(speaking)
        pieces: list[Piece] = [self._taken_over() if self._nearer_talker() else More(kept)]
        self._silent = 0 if speaking else self._silent + 1
        self._low = self._low + 1 if self._fallen() else 0
        hold = self.settings.breath if self._breathed() else self.settings.hold
        wait = min(self._frames(hold) - self._silent, self._frames(self.settings.low) - self._low)
        if wait <= 0 or len(self._utterance) >= self._frames(self.settings.longest):
            return [*pieces, self._close()]
        if wait > self._frames(self.settings.hold) - self._frames(self.settings.pause):
            self._paused = False
        elif not self._paused:
            self._paused = True
            pieces.append(Paused(np.concatenate(self._utterance)))
        return pieces

    def _begin_here(self) -> Began:
        """Open an utterance with what was kept from before: more of it where it stood clear of the room."""
        frames = list(self._before)
        marks = [self._outside.pop() for _ in frames][::-1]
        self._before.clear()
        kept = min(self._kept_before, len(frames))
        loud = self._loud_outside()
        gap = 0
        for back in range(kept + 1, len(frames) + 1) if loud else ():
            clear = marks[-back][0] > loud * _times(BREATH_DB)
            gap = 0 if clear else gap + 1
            if gap >= self._frames(self.settings.hold):
                break
            kept = back if clear else kept
        self._outside.extend(marks[:-kept])
        return self._begin(frames[-kept:], marks[-kept:])

    def _loud_outside(self) -> float:
        """Mean square of the room's loud moments; 0 where the room is not known."""
        if len(self._outside) < MOST_SUDDEN:
            return 0.0
        return float(np.percentile([power for power, _ in self._outside], LOUD_PERCENT))

    def _taken_over(self) -> Began:
        """All but the last frames were somebody else."""
        late = -self._kept_before
        marks = list(zip(self._powers, self._spoken, strict=True))
        self._outside.extend(marks[:late])
        return self._begin(self._utterance[late:], marks[late:])

    def _begin(self, frames: list[np.ndarray], marks: list[tuple[float, bool]]) -> Began:
        """Open an utterance with these frames, of which the power and the speech are known; take stock of the room
        outside."""
        self._utterance = frames
        self._powers = [power for power, _ in marks]
        self._spoken = [speaking for _, speaking in marks]
        self._silent = self._low = 0
        self._paused = False
        known = len(self._outside) >= MOST_SUDDEN
        self._room_loud = self._loud_outside()
        alone = known and np.mean([speaking for _, speaking in self._outside]) < OTHERS
        self._fall = self.settings.alone if alone else self.settings.fall
        return Began((self._frames_seen - len(frames)) * self._seconds, np.concatenate(frames))

    def _fallen(self) -> bool:
        """Whether the last frames lie far under the utterance's own level, or in the room's."""
        own = _loudest(self._powers)
        room = min(self._room_loud * _times(ROOM_DB), own / _times(LEAST_FALL_DB))
        return louder_half(self._powers[-MOST_SUDDEN:]) < max(own / _times(self._fall), room)

    def _breathed(self) -> bool:
        """Whether the last frames are no room that is known, and not far under the utterance."""
        late = louder_half(self._powers[-MOST_SUDDEN // 2 :])
        least = max(self._room_loud * _times(BREATH_DB), _loudest(self._powers) / _times(self.settings.alone))
        return self._room_loud > 0 and late > least

    def _nearer_talker(self) -> bool:
        """Whether all that came before the last frames lies far under them: it was somebody further away."""
        earlier, late = self._powers[:-MOST_SUDDEN], self._powers[-MOST_SUDDEN:]
        return len(earlier) > self._kept_before and _loudest(earlier) < louder_half(late) / _times(self.settings.rise)

    def _floor(self) -> float:
        """Mean square of the quiet frames of late."""
        return float(np.percentile(self._room, FLOOR_PERCENT))

    def _close(self) -> Ended:
        frames, self._utterance = self._utterance, []
        begun = (self._frames_seen - len(frames)) * self._seconds
        room = self.room_dbfs
        level = 10 * float(np.log10(louder_half(self._powers) / FULL_SCALE**2))
        own = _loudest(self._powers)
        if own < max(self._levels, default=0.0) / _times(self.settings.rise):
            self._outside.extend(zip(self._powers, self._spoken, strict=True))
        self._levels.append(own)
        return Ended(begun, np.concatenate(frames), None if room is None else level - room, self._paused)


def _sum(frame: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Sound with dither, int16."""
    return np.clip(np.rint(frame + noise), -32768, 32767).astype(np.int16)


def _times(db: float) -> float:
    """A ratio of powers."""
    return 10 ** (db / 10)


def _loudest(powers: list[float]) -> float:
    """Mean of the loudest frames, half as many as are held against the room."""
    return float(np.mean(sorted(powers)[-MOST_SUDDEN // 2 :]))


def _power(frame: np.ndarray) -> float:
    """Mean square of a frame, at least a thousandth of a step squared."""
    return max(float(np.mean(np.square(frame, dtype=np.float64))), 1e-3)
