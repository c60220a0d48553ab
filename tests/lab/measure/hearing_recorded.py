"""Recorded human speech out of Debian packages; never used for tuning.

`asterisk-core-sounds-en-g722` holds number words and prompts by one woman at
16 kHz (its copyright file names her; CC-BY-SA-3.0); the words are joined into
readings. `pocketsphinx-testdata` holds whole sentences by others.
"""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from assistant.errors import MissingLibrary
from assistant.hearing.audio.rate import SAMPLE_RATE
from audio_fixtures.rooms import active
from tests.lab.measure.hearing_spoken import TEENS, TENS

PROMPTS = Path("/usr/share/asterisk/sounds")
SENTENCES = Path("/usr/share/pocketsphinx/test/data")
CLIPS: dict[str, str] = (
    {word: f"digits/{number}" for number, word in enumerate(TEENS)}
    | {word: f"digits/{number}" for number, word in zip(range(20, 100, 10), TENS, strict=True)}
    | {"hundred": "digits/hundred", "thousand": "digits/thousand", "oh": "digits/oh", "and": "vm-and"}
)
"""Word -> clip. No clip says "point"."""


def folder() -> Path:
    """Where the English prompts lie. Raises MissingLibrary."""
    found = sorted(PROMPTS.glob("en_US_f_*"))
    if not found:
        raise MissingLibrary(
            "The recorded number words are not installed.",
            "Run: sudo apt-get install asterisk-core-sounds-en-g722 pocketsphinx-testdata ffmpeg",
        )
    return found[0]


def reading(text: str, rng: np.random.Generator) -> np.ndarray:
    """The words joined. int16, shape (n,). Raises KeyError for a word without a clip."""
    return joined([_clip(CLIPS[word]) for word in text.split()], rng)


def joined(words: Sequence[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Words put together, 20 to 90 ms apart. int16, shape (n,)."""
    parts: list[np.ndarray] = []
    for word in words:
        parts += [word, np.zeros(int(rng.uniform(0.02, 0.09) * SAMPLE_RATE), np.int16)]
    return np.concatenate(parts[:-1])


def trimmed(sound: np.ndarray) -> np.ndarray:
    """From the first to the last moment with speech in it."""
    where = np.flatnonzero(active(sound, 40.0))
    return sound[where[0] : where[-1] + 1] if len(where) else sound


def outside(rng: np.random.Generator) -> tuple[str, np.ndarray]:
    """A recorded prompt or sentence that is no answer: its name and int16 samples."""
    names = prompts() + sentences()
    name = names[int(rng.integers(len(names)))]
    if name.endswith(".wav"):
        sound, _ = soundfile.read(SENTENCES / name, dtype="int16")
        return name, sound
    return name, _clip(name)


@cache
def prompts() -> tuple[str, ...]:
    """Prompts of whole words that are no number, letter or tone."""
    found = []
    for path in sorted(folder().glob("*.g722")):
        # beeps, tones and animals are no speech
        if not any(part in path.stem for part in ("tone", "beep", "monkeys", "weasels")):
            found.append(path.stem)
    return tuple(found)


@cache
def sentences() -> tuple[str, ...]:
    return tuple(str(path.relative_to(SENTENCES)) for path in sorted((SENTENCES / "librivox").glob("*.wav")))


@cache
def _clip(name: str) -> np.ndarray:
    path = folder() / f"{name}.g722"
    command = ["ffmpeg", "-v", "error", "-f", "g722", "-i", str(path), "-f", "s16le", "-ar", str(SAMPLE_RATE), "-"]
    try:
        raw = subprocess.run(command, capture_output=True, check=True).stdout
    except FileNotFoundError as error:
        raise MissingLibrary("The program ffmpeg is not installed.", "Run: sudo apt-get install ffmpeg") from error
    return trimmed(np.frombuffer(raw, np.int16))
