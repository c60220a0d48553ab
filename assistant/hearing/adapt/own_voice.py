"""A recogniser taught one technician's voice: a minute of known sentences, mixed with furnace rooms.

Without the mixing nothing is gained: the model would be moved back to quiet
rooms. Measured by `python -m tests.lab.measure.hearing_voice`.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import platformdirs
from pydantic import Field

from assistant.errors import EngineError, ModelError
from assistant.hearing.adapt.aligned import Aligner, Cepstra, framed
from assistant.hearing.adapt.moved import Frames, adapt, likelihood, together
from assistant.hearing.engines.acoustic import write_acoustic
from assistant.hearing.engines.room_model import furnace_room_model, room_model
from assistant.hearing.rooms import NOISES, ROOMS, mix, noise, reverb
from grammar.datafile import Strict, load_yaml
from grammar.emit import pronunciations

SETTINGS = Path(__file__).with_name("own_voice.yaml")
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,40}")
MIXES = 3
"""Times that each sentence is put into a drawn room and noise, besides as it was said."""
SNRS = (20.0, 15.0, 10.0)
"""dB, speech over the noise that is mixed in."""
LEAST = 8
"""Sentences below which nothing is learnt."""


class VoiceSettings(Strict):
    """sentences: language -> sentences to read."""

    version: int = Field(ge=1, le=1)
    sentences: dict[str, tuple[str, ...]]


@dataclass(frozen=True)
class Learnt:
    """sentences: how many could be followed. before, after: mean log density of a frame, nats, under the old and the
    new model."""

    sentences: int
    before: float
    after: float


@cache
def sentences(language: str = "en") -> tuple[str, ...]:
    """What is to be read. Raises EngineError for a language without sentences, DataFileError."""
    found = load_yaml(SETTINGS, VoiceSettings).sentences
    if language not in found:
        raise EngineError(
            f"There are no sentences to learn a voice from in '{language}'.", "Add them to own_voice.yaml."
        )
    return found[language]


def home() -> Path:
    """The folder of learnt voices."""
    return platformdirs.user_data_path("twohands") / "voices"


def folder_of(name: str, under: Path | None = None) -> Path:
    """Where the voice `name` is kept. Raises ModelError for a name that is no plain word."""
    if not NAME.fullmatch(name):
        raise ModelError(f"'{name}' cannot be the name of a voice.", "Use letters, digits, dots and dashes.")
    return (under or home()) / name


def voice_model(name: str, under: Path | None = None) -> dict[str, str]:
    """Decoder settings of a learnt voice. Raises ModelError when it was not learnt."""
    found = room_model(folder_of(name, under))
    if not found:
        raise ModelError(
            f"The voice '{name}' was not learnt on this machine.", f"Teach it first: twohands voice {name}"
        )
    return found


def learn(said: Iterable[tuple[str, np.ndarray]], folder: Path, rng: np.random.Generator) -> Learnt:
    """Move the furnace-room model towards a voice and keep it in `folder`, whole or not at all.

    said: sentence and its sound, int16 at 16 kHz. Sentences that cannot be
    followed are left out. Raises EngineError when fewer than `LEAST` are left.
    """
    align, cepstra = Aligner(pronunciations("en")), Cepstra()
    found: list[Frames] = []
    followed = 0
    for text, sound in said:
        try:
            phones, senones = align.align(text, sound)
        except EngineError:
            continue
        followed += 1
        for place in (sound, *(_elsewhere(sound, rng) for _ in range(MIXES))):
            found.append(framed(cepstra, place, phones, senones))
    if followed < LEAST:
        raise EngineError(
            f"Only {followed} sentences could be followed; {LEAST} are needed.",
            "Find a quieter place and read them again.",
        )
    frames = together(found)
    old = furnace_room_model()
    new = adapt(old, frames)
    beside = folder.with_name(folder.name + ".part")
    shutil.rmtree(beside, ignore_errors=True)
    beside.mkdir(parents=True)
    write_acoustic(new, beside)
    shutil.rmtree(folder, ignore_errors=True)
    beside.rename(folder)
    return Learnt(followed, likelihood(old, frames), likelihood(new, frames))


def _elsewhere(sound: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    room = ROOMS[rng.integers(len(ROOMS))]
    kind = NOISES[rng.integers(len(NOISES))]
    return mix(reverb(sound, room, rng), noise(kind, len(sound), rng), float(rng.choice(SNRS)))
