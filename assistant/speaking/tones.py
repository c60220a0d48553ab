"""Short tones out of `tones.yaml`: listening, heard, passed, look again, alarm."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from assistant.errors import VoiceError
from assistant.hearing.audio.rate import SAMPLE_RATE
from grammar.datafile import Strict, load_yaml

LONGEST = 0.3
"""Seconds."""
BAND = (500.0, 2500.0)
"""Hz. ISO 7731:2003 asks danger signals to have components in it (from memory)."""


class Burst(Strict):
    """One sounding piece. ms: length; start, end: Hz; gap: ms of silence after it."""

    ms: float = Field(ge=20, le=300)
    start: float = Field(alias="from")
    end: float = Field(alias="to")
    gap: float = Field(0, ge=0, le=200)


class Tone(Strict):
    """A tone. level: loudest sample, share of full scale; partials: loudness of each multiple."""

    about: str
    level: float = Field(gt=0, le=0.95)
    partials: list[float] = Field(min_length=1)
    bursts: list[Burst] = Field(min_length=1)

    @property
    def seconds(self) -> float:
        return sum(burst.ms + burst.gap for burst in self.bursts) / 1000

    @model_validator(mode="after")
    def _hearable(self) -> Tone:
        if self.seconds > LONGEST:
            raise ValueError(f"it lasts {self.seconds:.3f} s, longer than {LONGEST} s")
        pitches = [hertz for burst in self.bursts for hertz in (burst.start, burst.end)]
        if min(pitches) < BAND[0] or max(pitches) * len(self.partials) > BAND[1]:
            raise ValueError(f"a partial lies outside {BAND[0]:g} to {BAND[1]:g} Hz")
        return self


class ToneFile(Strict):
    """The whole file. edge: seconds of soft rise and fall."""

    format: Literal[1]
    edge: float = Field(ge=0.004, le=0.01)
    tones: dict[str, Tone]


@lru_cache
def tone_file() -> ToneFile:
    """The tones that ship. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("tones.yaml"), ToneFile)


def names() -> tuple[str, ...]:
    """Every tone, in file order."""
    return tuple(tone_file().tones)


@lru_cache
def tone(name: str) -> np.ndarray:
    """The tone as int16, 16 kHz, shape (n,), read-only. Raises VoiceError for an unknown name."""
    data = tone_file()
    if name not in data.tones:
        raise VoiceError(f"There is no tone '{name}'.", f"Choose one of: {', '.join(data.tones)}.")
    sound = synthesised(data.tones[name], data.edge)
    sound.flags.writeable = False
    return sound


def synthesised(design: Tone, edge: float) -> np.ndarray:
    """A tone from its design: int16, 16 kHz, shape (n,). edge: seconds.

    Bursts without a gap between them run on in one phase, with soft ends
    only where silence begins.
    """
    pieces: list[np.ndarray] = []
    run: list[Burst] = []
    for burst in design.bursts:
        run.append(burst)
        if burst.gap or burst is design.bursts[-1]:
            pieces += [_run(run, design.partials, edge), np.zeros(_samples(burst.gap))]
            run = []
    wave = np.concatenate(pieces)
    return np.rint(wave * (design.level * 32767 / np.abs(wave).max())).astype(np.int16)


def _run(bursts: list[Burst], partials: list[float], edge: float) -> np.ndarray:
    pitch = np.concatenate([np.geomspace(one.start, one.end, _samples(one.ms)) for one in bursts])
    phase = 2 * np.pi * np.cumsum(pitch) / SAMPLE_RATE
    wave = np.zeros(len(phase))
    for number, loud in enumerate(partials, start=1):
        wave += loud * np.sin(number * phase)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(round(edge * SAMPLE_RATE)) / round(edge * SAMPLE_RATE))
    wave[: len(ramp)] *= ramp
    wave[-len(ramp) :] *= ramp[::-1]
    return wave


def _samples(milliseconds: float) -> int:
    return round(milliseconds * SAMPLE_RATE / 1000)
