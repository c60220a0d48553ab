"""Which state of which phone each frame of known words belongs to, and the cepstra of a sound; both by PocketSphinx."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pocketsphinx

from assistant.errors import EngineError
from assistant.hearing.adapt.moved import Frames
from assistant.hearing.engines.acoustic import DIMENSIONS, PHONES, features

FAILURES = (RuntimeError, ValueError, KeyError, TypeError)
"""What PocketSphinx's binding raises."""


class Aligner:
    """Finds the states of known words in a sound."""

    def __init__(self, pronunciations: Mapping[str, str]) -> None:
        self._decoder = _new()
        for word, phones in pronunciations.items():
            self._decoder.add_word(word, phones, True)

    def align(self, text: str, sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Codebook and senone of every frame, int, shape (frames,); -1 where none. sound: int16 at 16 kHz. Raises
        EngineError."""
        try:
            self._decoder.set_align_text(text)
            self._run(sound)
            self._decoder.set_alignment()
            count = self._run(sound)
            phones, senones = np.full(count, -1), np.full(count, -1)
            for word in self._decoder.get_alignment():
                for phone in word:
                    for state in phone:
                        span = slice(state.start, state.start + state.duration)
                        phones[span], senones[span] = PHONES.index(phone.name), int(state.name)
        except FAILURES as error:
            raise EngineError(f"'{text}' could not be found in the sound ({error}).", "Say it again.") from error
        return phones, senones

    def _run(self, sound: np.ndarray) -> int:
        self._decoder.start_utt()
        self._decoder.process_raw(sound.tobytes(), full_utt=True)
        self._decoder.end_utt()
        return int(self._decoder.n_frames())


class Cepstra:
    """The engine's own cepstra, its noise removal included."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="cepstra-")
        self._decoder = _new(mfclogdir=self._folder.name)
        self._decoder.add_keyphrase("none", "hello")
        self._decoder.activate_search("none")

    def of(self, sound: np.ndarray) -> np.ndarray:
        """Cepstra of int16 samples at 16 kHz, float64, shape (frames, 13), 100 frames a second."""
        folder = Path(self._folder.name)
        for old in folder.iterdir():
            old.unlink()
        self._decoder.start_utt()
        self._decoder.process_raw(sound.tobytes(), no_search=True, full_utt=True)
        self._decoder.end_utt()
        raw = next(folder.glob("*.mfc")).read_bytes()
        # the log is written in either byte order; the count in its head tells which
        order = "<" if int.from_bytes(raw[:4], "little") * 4 == len(raw) - 4 else ">"
        return np.frombuffer(raw[4:], f"{order}f4").reshape(-1, DIMENSIONS).astype(np.float64)


def framed(cepstra: Cepstra, sound: np.ndarray, phones: np.ndarray, senones: np.ndarray) -> Frames:
    """The frames of a sound whose states are known, those without a state left out. phones, senones: as
    `Aligner.align` gives them."""
    seen = features(cepstra.of(sound))
    length = min(len(seen), len(phones))
    kept = np.flatnonzero(senones[:length] >= 0)
    return Frames(seen[kept], phones[kept], senones[kept])


def _new(**settings: Any) -> Any:
    try:
        return pocketsphinx.Decoder(lm=None, loglevel="FATAL", **settings)
    except FAILURES as error:
        raise EngineError(
            f"PocketSphinx could not start ({error}).", "Install it again: pip install --force-reinstall pocketsphinx"
        ) from error
