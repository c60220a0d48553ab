"""Sound files in and out, and the two-sided conversation as one file."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import resample_poly

from assistant.errors import AudioError, DiskFull

SAMPLE_RATE = 16_000
NO_SPACE = 28
"""errno ENOSPC."""


def to_engine(sound: np.ndarray, rate: int) -> np.ndarray:
    """Any sound as 16 kHz mono int16, shape (n,).

    sound: shape (n,) or (n, channels); int16, or floats from -1 to 1.
    rate: samples a second, above 0.
    """
    if rate <= 0:
        raise AudioError(f"A rate of {rate} samples a second is no rate.", "Give the rate that the file was recorded at.")
    floats = sound / 32768.0 if sound.dtype == np.int16 else np.asarray(sound, dtype=np.float64)
    if floats.ndim == 2:
        floats = floats.mean(axis=1)
    return _resampled(floats, rate, SAMPLE_RATE)


def at_rate(sound: np.ndarray, rate: int) -> np.ndarray:
    """int16 at 16 kHz, shape (n,), as int16 at another rate."""
    return _resampled(sound / 32768.0, SAMPLE_RATE, rate)


def read(path: Path | str) -> np.ndarray:
    """A sound file (WAV, FLAC, OGG and others) as 16 kHz mono int16. Raises AudioError."""
    try:
        sound, rate = soundfile.read(str(path), dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, OSError, TypeError) as error:
        if not Path(path).exists():
            raise AudioError(f"There is no sound file {path}.", "Check the name.") from error
        raise AudioError(f"{Path(path).name} cannot be read as sound ({_short(error)}).", "Give a WAV or FLAC file.") from error
    return to_engine(sound, rate)


def write(path: Path | str, sound: np.ndarray) -> None:
    """Write int16 at 16 kHz as the kind its name ends with (.wav, .flac), whole or not at all.

    sound: shape (n,) or (n, 2). Raises AudioError, DiskFull.
    """
    target = Path(path)
    kind = target.suffix.lower().lstrip(".")
    if kind not in ("wav", "flac"):
        raise AudioError(f"{target.name} ends in neither .wav nor .flac.", "Give the file one of these endings.")
    part = target.with_name(f".{target.name}.part")
    try:
        soundfile.write(str(part), sound, SAMPLE_RATE, format=kind.upper(), subtype="PCM_16")
        with part.open("rb") as written:
            os.fsync(written.fileno())
        os.replace(part, target)
    except (soundfile.LibsndfileError, OSError) as error:
        part.unlink(missing_ok=True)
        if _is_full(error, target):
            raise DiskFull(f"The disk is full; {target.name} was not written.", "Make room on the disk.") from error
        raise AudioError(f"{target.name} cannot be written ({_short(error)}).", "Check the folder and the rights.") from error


def chunks(sound: np.ndarray, size: int = 1600) -> Iterator[np.ndarray]:
    """Cut sound into pieces of `size` samples, the last one shorter."""
    for start in range(0, len(sound), size):
        yield sound[start : start + size]


class Conversation:
    """Both sides of a visit on one time line.

    Each side is laid down at its own time in seconds; what overlaps adds up.
    """

    def __init__(self) -> None:
        self._pieces: list[tuple[str, int, np.ndarray]] = []
        self._end = 0

    @property
    def seconds(self) -> float:
        """The end of the last piece."""
        return self._end / SAMPLE_RATE

    def technician(self, at: float, sound: np.ndarray) -> float:
        """Lay the technician's speech down at `at` seconds; return its end."""
        return self._lay("technician", at, sound)

    def assistant(self, at: float, sound: np.ndarray) -> float:
        """Lay the program's speech or tone down at `at` seconds; return its end."""
        return self._lay("assistant", at, sound)

    def mixed(self, stereo: bool = True) -> np.ndarray:
        """int16: shape (n, 2), technician left, program right; or shape (n,) with both."""
        left, right = (self._side(side) for side in ("technician", "assistant"))
        sound = np.stack([left, right], axis=1) if stereo else left + right
        return np.clip(sound, -32768, 32767).astype(np.int16)

    def save(self, path: Path | str, stereo: bool = True) -> None:
        """Write the conversation as .wav or .flac. Raises AudioError, DiskFull."""
        write(path, self.mixed(stereo))

    def _lay(self, side: str, at: float, sound: np.ndarray) -> float:
        if at < 0:
            raise AudioError(f"A piece of sound was placed at {at} seconds.", "Place it at 0 or later.")
        start = round(at * SAMPLE_RATE)
        self._pieces.append((side, start, sound))
        self._end = max(self._end, start + len(sound))
        return (start + len(sound)) / SAMPLE_RATE

    def _side(self, wanted: str) -> np.ndarray:
        line = np.zeros(self._end, dtype=np.int32)
        for side, start, sound in self._pieces:
            if side == wanted:
                line[start : start + len(sound)] += sound
        return line


def _resampled(floats: np.ndarray, rate: int, wanted: int) -> np.ndarray:
    if rate != wanted and len(floats):
        shared = int(np.gcd(rate, wanted))
        floats = resample_poly(floats, wanted // shared, rate // shared)
    return np.clip(np.rint(floats * 32768.0), -32768, 32767).astype(np.int16)


def _short(error: Exception) -> str:
    return str(error).splitlines()[0].rstrip(".") if str(error) else type(error).__name__


def _is_full(error: Exception, target: Path) -> bool:
    if getattr(error, "errno", None) == NO_SPACE:
        return True
    try:
        room = os.statvfs(target.parent)
    except OSError:
        return False
    return room.f_bavail == 0
