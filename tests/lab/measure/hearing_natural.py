"""Natural voices for the benchmarks, split by whole voice in tests/lab/train/voices.yaml; kept on disk as FLAC.

Made anew they need what tests/lab/train/natural.py names; what lies in the
cache needs nothing.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from audio_fixtures.rooms import Split
from tests.lab.measure import hearing_scopes
from tests.lab.measure.hearing_cases import Case, case
from tests.lab.measure.hearing_engines import Ear, ear
from tests.lab.measure.hearing_run import Job, Result
from tests.lab.measure.hearing_sound import Scene, placed
from tests.lab.measure.hearing_sound import cache as cache_folder
from tests.lab.train.speakers import voice_file
from tests.lab.train.synthesise import RATE, to_rate, trimmed


def names(split: Split) -> tuple[str, ...]:
    """The natural voices of one side."""
    data = voice_file()
    return (data.tuning if split == "tune" else data.test)["natural"]


def spoken_case(number: int, split: Split) -> Case:
    """The benchmark's case of that number in a natural voice's mouth, at the voice's own pace."""
    here = case(number, split)
    return replace(here, voice=names(split)[number % len(names(split))], rate=1.0)


def scene_of(here: Case) -> Scene:
    """The sound of `spoken_case`, in its room, noise and microphone."""
    return placed(say(here.text, here.voice), here, np.random.default_rng((86, here.number)), here.text)


def heard(task: tuple[str, Case]) -> tuple[Case, Result]:
    """What an engine, by name, makes of one such case."""
    engine, here = task
    made = scene_of(here)
    endings, cpu = _ear(engine).listen(made.sound, hearing_scopes.scopes()[here.scope], partials=False)
    return here, Result(
        Job(here.number), tuple(endings), cpu, len(made.sound) / RATE, made.starts, made.ends, made.said
    )


@cache
def _ear(engine: str) -> Ear:
    return ear(engine)


def file_of(text: str, voice: str, pace: float) -> Path:
    """Where the speech is kept."""
    key = hashlib.sha256(f"{voice}|{pace}|{text}".encode()).hexdigest()
    return cache_folder() / "natural" / key[:2] / f"{key}.flac"


def say(text: str, voice: str, pace: float = 1.0) -> np.ndarray:
    """int16 at 16 kHz, silence at both ends cut. Raises GrammarError where the voices are not there."""
    path = file_of(text, voice, pace)
    if not path.is_file():
        # only who makes speech needs the model
        from tests.lab.train.natural import say as spoken

        sound = trimmed(to_rate(*spoken(text, {voice: 1.0}, pace)))
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_suffix(f".{np.random.default_rng().integers(1 << 60)}")
        soundfile.write(beside, sound, RATE, format="FLAC", subtype="PCM_16")
        beside.replace(path)
    return soundfile.read(path, dtype="int16")[0]
