"""Named synthetic voices, split into tuning and test by whole voice.

The voices come from programs that Debian packages: espeak-ng, flite and
festival (`apt-get install espeak-ng flite festival festvox-kdlpc16k
festvox-us-slt-hts`). All give the same samples for the same words.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from pydantic import Field, model_validator
from scipy.signal import resample_poly

from assistant.errors import MissingLibrary, VoiceError
from assistant.hearing.audio.rate import SAMPLE_RATE
from grammar.datafile import Strict, load_yaml

LIMIT_SECONDS = 30
"""Longest wait for one program to speak one sentence."""

Engine = Literal["espeak", "flite", "festival"]
Split = Literal["tune", "test"]

PROGRAMS: dict[str, tuple[str, str]] = {
    "espeak": ("espeak-ng", "espeak-ng"),
    "flite": ("flite", "flite"),
    "festival": ("text2wave", "festival festvox-kdlpc16k festvox-us-slt-hts"),
}
"""Engine -> program, Debian packages."""


@dataclass(frozen=True)
class VoiceInfo:
    """One voice. speaker: the recorded person it was made from, or its own id."""

    id: str
    engine: Engine
    split: Split
    licence: str
    speaker: str = ""


class _Voice(Strict):
    id: str
    engine: Engine
    voice: str
    split: Split
    pitch: int = Field(50, ge=0, le=99)
    words_a_minute: int = Field(160, ge=80, le=300)
    stretch: float = Field(1.0, gt=0.3, lt=3.0)
    speaker: str = ""


class _VoiceFile(Strict):
    version: Literal[1]
    licences: dict[Engine, str]
    voices: tuple[_Voice, ...]

    @model_validator(mode="after")
    def _whole_voices(self) -> _VoiceFile:
        ids = [one.id for one in self.voices]
        if twice := sorted({one for one in ids if ids.count(one) > 1}):
            raise ValueError(f"the id {twice[0]} stands twice")
        sides: dict[str, set[str]] = {}
        for one in self.voices:
            sides.setdefault(one.speaker or one.id, set()).add(one.split)
        if mixed := sorted(name for name, split in sides.items() if len(split) > 1):
            raise ValueError(f"the speaker {mixed[0]} is on both sides of the split")
        return self


@cache
def _file() -> _VoiceFile:
    return load_yaml(Path(__file__).with_name("voices.yaml"), _VoiceFile)


def voices(split: Split | None = None) -> tuple[VoiceInfo, ...]:
    """Every voice in file order, or those of one side."""
    data = _file()
    return tuple(
        VoiceInfo(one.id, one.engine, one.split, data.licences[one.engine], one.speaker or one.id)
        for one in data.voices
        if split in (None, one.split)
    )


def installed(voice_id: str) -> bool:
    """Whether the program that speaks this voice is on this machine."""
    return shutil.which(PROGRAMS[_named(voice_id).engine][0]) is not None


def say(text: str, voice_id: str, rate: float = 1.0) -> np.ndarray:
    """The words spoken: int16, shape (n,), 16 kHz. rate: pace, 1.2 is a fifth faster.

    Raises MissingLibrary where the program is not installed, VoiceError for a
    name that is not in the file or when the program fails.
    """
    voice = _named(voice_id)
    if voice.engine == "espeak":
        pace = str(round(voice.words_a_minute * rate))
        command = ["espeak-ng", "-v", voice.voice, "-s", pace, "-p", str(voice.pitch), "--stdin", "--stdout"]
        return _to_rate(*_wav(_run(command, text)))
    stretch = f"{voice.stretch / rate:.3f}"
    with tempfile.TemporaryDirectory(prefix="voices-") as folder:
        out = Path(folder) / "said.wav"
        if voice.engine == "flite":
            source = Path(folder) / "said.txt"
            source.write_text(text, encoding="utf-8")
            command = [
                "flite",
                "-voice",
                voice.voice,
                "--setf",
                f"duration_stretch={stretch}",
                "-f",
                str(source),
                "-o",
                str(out),
            ]
        else:
            setting = f"(begin (voice_{voice.voice}) (Parameter.set 'Duration_Stretch {stretch}))"
            command = ["text2wave", "-eval", setting, "-o", str(out)]
        _run(command, text)
        return _to_rate(*_wav(out.read_bytes()))


def _named(voice_id: str) -> _Voice:
    for one in _file().voices:
        if one.id == voice_id:
            return one
    raise VoiceError(f"No test voice is called '{voice_id}'.", "Take one of the ids in audio_fixtures/voices.yaml.")


def _run(command: list[str], text: str) -> bytes:
    try:
        done = subprocess.run(command, input=text.encode(), capture_output=True, timeout=LIMIT_SECONDS, check=True)
    except FileNotFoundError as error:
        packages = next(names for program, names in PROGRAMS.values() if program == command[0])
        raise MissingLibrary(
            f"The program {command[0]} is not installed.", f"Run: sudo apt-get install {packages}"
        ) from error
    except subprocess.CalledProcessError as error:
        said = error.stderr.decode(errors="replace").strip().splitlines()
        raise VoiceError(
            f"{command[0]} failed: {said[-1] if said else 'no reason given'}.", "Try the command by hand."
        ) from error
    except subprocess.TimeoutExpired as error:
        raise VoiceError(
            f"{command[0]} did not end within {LIMIT_SECONDS} seconds.", "Try a shorter sentence."
        ) from error
    return done.stdout


def _wav(data: bytes) -> tuple[np.ndarray, int]:
    # espeak-ng writes an unknown length into the header of a piped file;
    # libsndfile reads such a file to its end.
    sound, rate = soundfile.read(io.BytesIO(data), dtype="int16", always_2d=True)
    return sound[:, 0], rate


def _to_rate(sound: np.ndarray, rate: int) -> np.ndarray:
    if rate == SAMPLE_RATE:
        return sound
    common = int(np.gcd(rate, SAMPLE_RATE))
    moved = resample_poly(sound.astype(np.float64), SAMPLE_RATE // common, rate // common)
    return np.clip(np.round(moved), -32768, 32767).astype(np.int16)
