"""Sound files in and out, and the two-sided conversation as one file."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import resample_poly

from assistant import private
from assistant.errors import AudioError, DiskFull
from assistant.hearing.audio.rate import SAMPLE_RATE
from grammar import guards

MOST_TAPS = 4000
"""The largest part of a ratio of two rates; all rates in use need at most 441 or 640."""
NO_SPACE = 28
"""errno ENOSPC."""


def at_rate(sound: np.ndarray, rate: int) -> np.ndarray:
    """int16 at 16 kHz, shape (n,), as int16 at another rate."""
    floats = sound / 32768.0
    up, down = _ratio(SAMPLE_RATE, rate)
    return _as_int16(resample_poly(floats, up, down) if up != down and len(floats) else floats)


def read(path: Path | str) -> np.ndarray:
    """A sound file (WAV, FLAC, OGG and others) as 16 kHz mono int16, within the limits of `grammar.guards`. Raises
    AudioError."""
    pieces = list(stream(path, 10 * SAMPLE_RATE))
    return np.concatenate(pieces) if pieces else np.zeros(0, np.int16)


def stream(path: Path | str, size: int = 1600) -> Iterator[np.ndarray]:
    """The same in pieces of `size` samples, the last one shorter, each read when it is asked for.

    A long file begins at once and never lies in memory whole. Raises AudioError at once
    for what is no sound or goes past the limits, later for what breaks off badly.
    """
    name = Path(path).name
    if not Path(path).exists():
        raise AudioError(f"There is no sound file {path}.", "Check the name.")
    with _as_sound(name):
        if not Path(path).is_file() or Path(path).stat().st_size > guards.SOUND_BYTES:
            raise AudioError(
                f"{name} is no sound file, or larger than {guards.SOUND_BYTES // 1_000_000} MB.",
                "Give a WAV or FLAC file.",
            )
        file = soundfile.SoundFile(str(path))
    problem = guards.sound_problem(file.frames / max(1, file.samplerate), file.samplerate, file.channels)
    if problem:
        file.close()
        raise AudioError(f"{name} cannot be taken: {problem}.", "Cut it, or save it with 16,000 samples a second.")
    return _pieces(file, name, size)


def _pieces(file: soundfile.SoundFile, name: str, size: int) -> Iterator[np.ndarray]:
    kept = np.zeros(0, np.int16)
    with file, _as_sound(name):
        for block in resampled_blocks(_mono(file), file.samplerate):
            kept = np.concatenate([kept, block])
            whole = len(kept) // size * size
            yield from np.split(kept[:whole], whole // size) if whole else ()
            kept = kept[whole:]
    if len(kept):
        yield kept


def _mono(file: soundfile.SoundFile) -> Iterator[np.ndarray]:
    """Ten seconds at a time, one channel. What a header claims of the length is not believed."""
    left = round(guards.SOUND_SECONDS * file.samplerate)
    while len(piece := file.read(10 * file.samplerate, dtype="float64", always_2d=True)):
        left -= len(piece)
        if left < 0:
            raise ValueError("it is longer than it says")
        yield np.nan_to_num(piece.mean(axis=1), nan=0.0, posinf=1.0, neginf=-1.0)


def resampled_blocks(pieces: Iterable[np.ndarray], rate: int) -> Iterator[np.ndarray]:
    """Pieces of mono floats at `rate` as blocks of int16 at 16 kHz: what resampling the whole at once would give."""
    up, down = _ratio(rate, SAMPLE_RATE)
    if up == down:
        yield from (_as_int16(piece) for piece in pieces)
        return
    # The filter of resample_poly reaches ten periods of the lower rate to each side; both edges stay whole multiples
    # of `down`.
    edge = (10 * max(up, down) // up // down + 2) * down
    block = max(1, 10 * rate // down) * down
    waiting = np.zeros(edge)
    for piece in pieces:
        waiting = np.concatenate([waiting, piece])
        while len(waiting) >= block + 2 * edge:
            made = resample_poly(waiting[: block + 2 * edge], up, down)
            yield _as_int16(made[edge * up // down : (edge + block) * up // down])
            waiting = waiting[block:]
    rest = len(waiting) - edge
    if rest > 0:
        made = resample_poly(np.concatenate([waiting, np.zeros(edge)]), up, down)
        yield _as_int16(made[edge * up // down :][: -(-rest * up // down)])


@contextmanager
def _as_sound(name: str) -> Iterator[None]:
    """What libsndfile and numpy say of a broken file, in one line. Raises AudioError."""
    try:
        yield
    except (soundfile.LibsndfileError, OSError, TypeError, ValueError, MemoryError) as error:
        raise AudioError(f"{name} cannot be read as sound ({_short(error)}).", "Give a WAV or FLAC file.") from error


def write(path: Path | str, sound: np.ndarray) -> None:
    """Write int16 at 16 kHz as the kind its name ends with (.wav, .flac), whole or not at all, for its owner alone.

    sound: shape (n,) or (n, 2). Raises AudioError, DiskFull.
    """
    target = Path(path)
    kind = target.suffix.lower().lstrip(".")
    if kind not in ("wav", "flac"):
        raise AudioError(f"{target.name} ends in neither .wav nor .flac.", "Give the file one of these endings.")
    try:
        with private.replacing(target) as part:
            soundfile.write(str(part), sound, SAMPLE_RATE, format=kind.upper(), subtype="PCM_16")
    except (soundfile.LibsndfileError, OSError) as error:
        if _is_full(error, target):
            raise DiskFull(f"The disk is full; {target.name} was not written.", "Make room on the disk.") from error
        raise AudioError(
            f"{target.name} cannot be written ({_short(error)}).", "Check the folder and the rights."
        ) from error


def write_new(folder: Path, stem: str, ending: str, sound: np.ndarray) -> Path:
    """The same into `folder`, under `stem` or, where that name was ever used, `stem`-2, `stem`-3 …; the path. Raises
    AudioError, DiskFull."""
    try:
        path = private.reserve(folder, stem, ending)
    except OSError as error:
        if _is_full(error, folder / stem):
            raise DiskFull(f"The disk is full; {stem}{ending} was not written.", "Make room on the disk.") from error
        raise AudioError(
            f"{stem}{ending} cannot be written ({_short(error)}).", "Check the folder and the rights."
        ) from error
    try:
        write(path, sound)
    except (AudioError, DiskFull):
        path.unlink(missing_ok=True)
        raise
    return path


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


def _ratio(rate: int, wanted: int) -> tuple[int, int]:
    """By how much to raise and lower the rate. A rate that shares little with the other would need a filter of
    millions of taps; the nearest simple ratio is then less than one in 10,000 off, which no ear and no recogniser
    tells.
    """
    near = Fraction(wanted, rate).limit_denominator(MOST_TAPS)
    return (near.numerator, near.denominator) if near else (1, max(1, round(rate / wanted)))


def _as_int16(floats: np.ndarray) -> np.ndarray:
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
