"""The recordings of the demonstration: what is said, by whom, in what room."""

from __future__ import annotations

import math
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from assistant.errors import AudioError
from assistant.hearing.audio.files import read
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.rooms import NoiseKind
from grammar.datafile import Strict, load_yaml

HERE = Path(__file__).parent
CLIPS = HERE / "clips"
FILE = HERE / "clips.yaml"
Id = Annotated[str, Field(pattern=r"^[a-z0-9_]+(/[a-z0-9_]+)*$")]
Noise = Literal["none"] | NoiseKind


class VisitUtterance(Strict):
    """One sentence of a demonstration visit. rate: pace of the voice, 1 is its own."""

    id: Id
    text: str
    voice: str
    noise: Noise = "none"
    snr_db: float | None = None
    rate: float = Field(1.0, gt=0.4, lt=2.0)

    @model_validator(mode="after")
    def _level(self) -> VisitUtterance:
        if (self.noise == "none") != (self.snr_db is None):
            raise ValueError("noise and snr_db come together or not at all")
        return self


class VisitList(Strict):
    """clips.yaml."""

    format: Literal[1]
    utterances: list[VisitUtterance]

    @model_validator(mode="after")
    def _whole(self) -> VisitList:
        ids = [one.id for one in self.utterances]
        if twice := next((id for id in ids if ids.count(id) > 1), None):
            raise ValueError(f"the id {twice} stands twice")
        return self


@lru_cache
def visit_list() -> VisitList:
    """What is recorded. Raises DataFileError."""
    return load_yaml(FILE, VisitList)


def in_its_room(sound: np.ndarray, before: float = 1.0, after: float = 0.8) -> np.ndarray:
    """A recording with its own room going on before and after it, as a microphone would bring it.

    The room at its ends (made by make.py: BEFORE, AFTER) is laid on to and fro.
    before, after: seconds added.
    """
    edge = SAMPLE_RATE // 4
    head, tail = sound[:edge], sound[-edge:]
    lead = np.concatenate([head[::-1], head] * math.ceil(before * SAMPLE_RATE / (2 * edge)))
    end = np.concatenate([tail[::-1], tail] * math.ceil(after * SAMPLE_RATE / (2 * edge)))
    return np.concatenate([lead[len(lead) - round(before * SAMPLE_RATE) :], sound, end[: round(after * SAMPLE_RATE)]])


def visit_sound(id: str) -> np.ndarray:
    """The recording of a visit's utterance by its id in clips.yaml. Raises AudioError."""
    file = CLIPS / f"{id}.flac"
    if not file.is_file():
        raise AudioError(
            f"There is no recording '{id}'.",
            "Add it to assistant/visit/demo/clips.yaml and run: python -m audio_fixtures.make",
        )
    return read(file)
