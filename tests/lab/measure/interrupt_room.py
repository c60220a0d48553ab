"""A loudspeaker, a room and a microphone without hardware, block by block, so that whoever is cut short falls silent.

What goes on between them is the program's own: what the loudspeaker is given (`Outgoing`), what was played beside
what was heard (`Played`, `Duplex`), and what becomes of words over its voice (`Overhearing`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from assistant.hearing.audio.duplex import Duplex
from assistant.hearing.audio.live import BLOCK
from assistant.hearing.audio.played import Cleaned, Played
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.audio.steady import Outgoing
from assistant.hearing.rooms import ECHO, Room
from assistant.visit.over import TAIL, CutIn, Duck, GoOn, Happened, Hold, Overhearing
from assistant.visit.over_ears import item_of
from flows.procedure.session import Listen, Say

FRAMES = round(BLOCK * SAMPLE_RATE)
LONGEST_TURN = 90.0
"""Seconds after which a stretch of speaking is taken for stuck."""


class Way:
    """From the loudspeaker to the microphone. gain_db: of the direct sound; delay: seconds, from giving the sound to
    hearing it; noise: standard deviation of the room, in steps of 16 bits."""

    def __init__(self, gain_db: float, delay: float, room: Room = "open", noise: float = 12.0, seed: int = 1) -> None:
        self._random = np.random.default_rng(seed)
        self._noise = noise
        taps = _tail(room, np.random.default_rng(seed + 1)) * 10 ** (gain_db / 20)
        self._taps = np.concatenate([np.zeros(round(delay * SAMPLE_RATE)), taps])
        self._size = 1 << int(np.ceil(np.log2(len(self._taps) + FRAMES)))
        # an open room is one tap, which needs no convolution
        self._direct = (round(delay * SAMPLE_RATE), taps[0]) if len(taps) == 1 else None
        self._response = np.fft.rfft(self._taps, self._size)
        self._history = np.zeros(self._size)

    def through(self, block: np.ndarray, near: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The next block of the microphone with `near` spoken into it; the echo alone."""
        self._history = np.concatenate([self._history[len(block) :], block])
        if self._direct is not None:
            late, gain = self._direct
            end = len(self._history) - late
            return self._mixed(gain * self._history[end - len(block) : end], near)
        echo = np.fft.irfft(np.fft.rfft(self._history) * self._response, self._size)[-len(block) :]
        return self._mixed(echo, near)

    def _mixed(self, echo: np.ndarray, near: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        total = echo + near + self._random.normal(0.0, self._noise, len(near))
        return np.clip(np.rint(total), -32768, 32767).astype(np.int16), echo


def _tail(room: Room, rng: np.random.Generator) -> np.ndarray:
    """As `assistant.hearing.rooms.reverb`: direct sound and an echo that dies."""
    decay, direct_db = ECHO[room]
    if not decay:
        return np.ones(1)
    time = np.arange(round(decay * SAMPLE_RATE)) / SAMPLE_RATE
    tail = rng.standard_normal(len(time)) * 10 ** (-3 * time / decay)
    tail[: round(0.002 * SAMPLE_RATE)] = 0
    tail = lfilter([0.6], [1, -0.4], tail)
    tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    return tail


@dataclass
class Turn:
    """One stretch of speaking. happened: with the position at which it did. soft, silent: positions at which the voice
    went softer and fell silent for somebody's sake, first time; None where it never did."""

    happened: list[tuple[int, Happened]]
    soft: int | None
    silent: int | None
    seconds: float
    base: int

    @property
    def cut_in(self) -> CutIn | None:
        return next((one for _, one in self.happened if isinstance(one, CutIn)), None)


class Talking:
    """The program speaking and listening in one room, turn after turn."""

    def __init__(self, hearing: Overhearing, duplex: Duplex, way: Way) -> None:
        self.hearing, self.duplex, self.way = hearing, duplex, way
        self.played = Played()
        self.out = Outgoing(self.played)
        self._number = 0

    def quiet(self, seconds: float) -> None:
        """Nobody speaks."""
        for _ in range(round(seconds / BLOCK)):
            self._block(np.zeros(FRAMES))

    def speak(
        self,
        says: Sequence[Say],
        sounds: Sequence[np.ndarray],
        listen: Listen,
        understand,
        person: np.ndarray | None = None,
        at: float = 0.0,
    ) -> Turn:
        """Say it all, with a person who begins to speak `at` seconds after. person: float64 at 16 kHz."""
        self.hearing.begin(says, listen, understand)
        base = self.duplex.position
        waiting = list(enumerate(says))
        near = np.zeros(0) if person is None else np.concatenate([np.zeros(round(at * SAMPLE_RATE)), person])
        happened: list[tuple[int, Happened]] = []
        soft, silent, stopped, over = None, None, False, None
        place = 0
        while place < LONGEST_TURN * SAMPLE_RATE:
            if self.out.done.is_set() and waiting and not stopped:
                order, say = waiting.pop(0)
                self._number += 1
                self.hearing.item(item_of(self._number, say.text, order, sounds[order]))
                self.out.begin(sounds[order], self._number)
            piece = near[place : place + FRAMES]
            clean = self._block(np.concatenate([piece, np.zeros(FRAMES - len(piece))]))
            place += FRAMES
            for one in self.hearing.feed(clean):
                happened.append((self.duplex.position, one))
                if isinstance(one, Duck):
                    self.out.duck(one.low)
                    soft = soft or (self.duplex.position if one.low else None)
                elif isinstance(one, Hold):
                    self.out.hold()
                    silent = silent or self.duplex.position
                elif isinstance(one, GoOn):
                    self.out.go_on()
                elif isinstance(one, CutIn):
                    self.out.cut()
                    stopped = True
                    silent = silent or self.duplex.position
            if stopped:
                break
            if self.out.done.is_set() and not waiting:
                self.hearing.ended()
                over = place if over is None else over
                if not self.hearing.busy and place >= len(near) and place > over + TAIL * SAMPLE_RATE:
                    break
        self.out.duck(False)
        return Turn(happened, soft, silent, place / SAMPLE_RATE, base)

    def _block(self, near: np.ndarray) -> Cleaned:
        block = self.out.block(FRAMES)
        heard, _ = self.way.through(block.astype(np.float64), near)
        return self.duplex.push(heard, self.played.take(FRAMES))
