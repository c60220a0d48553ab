"""The sound of a furnace room, made from seeds: the one generator of noises and rooms, but for those of training.

Everything takes a `numpy.random.Generator`, so the same seed gives the same
samples. Speech and mixes are int16 at 16 kHz, shape (n,); a noise is float64
of unit power. The spectra and rates are common practice, not measurements of
any one machine: a four-pole motor on 60 Hz turns a little under 30 turns a
second, magnetics hum at 120 Hz, fan noise falls with frequency.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from scipy.signal import butter, fftconvolve, lfilter, sosfilt

from assistant.hearing.audio.rate import SAMPLE_RATE

MAINS = 60.0
"""Hz."""

NoiseKind = Literal["blower", "inducer", "valve", "compressor", "rain"]
Room = Literal["open", "cabinet", "crawlspace", "basement"]

NOISES: tuple[NoiseKind, ...] = ("blower", "inducer", "valve", "compressor", "rain")
ROOMS: tuple[Room, ...] = ("open", "cabinet", "crawlspace", "basement")

ECHO: dict[Room, tuple[float, float]] = {
    "open": (0.0, 0.0),
    "cabinet": (0.12, 9.0),
    "crawlspace": (0.25, 8.0),
    "basement": (0.55, 6.0),
}
"""Room -> seconds to decay by 60 dB, dB of direct over echoed sound.

Common practice for small hard rooms with the microphone near the mouth.
"""


def noise(kind: NoiseKind, samples: int, rng: np.random.Generator) -> np.ndarray:
    """`samples` of one noise, float64 of unit power."""
    return unit(_MAKERS[kind](samples, rng))


def unit(made: np.ndarray) -> np.ndarray:
    """The same with a mean square of 1, silence as it is."""
    power = float(np.mean(made**2))
    return made / np.sqrt(power) if power > 0 else made


def mix(speech: np.ndarray, background: np.ndarray, snr_db: float) -> np.ndarray:
    """Speech over noise, int16 of the speech's length.

    snr_db: speech power over noise power where speech is active (`active`).
    The sum is scaled down where it would clip. `background` must be as long
    as `speech` at least.
    """
    voice = speech.astype(np.float64)
    where = active(speech)
    power = float(np.mean(voice[where] ** 2)) if where.any() else 0.0
    loud = np.sqrt(power / 10 ** (snr_db / 10)) if power else 100.0
    total = voice + background[: len(voice)] * loud
    return int16(total)


def active(speech: np.ndarray, under_peak_db: float = 30.0) -> np.ndarray:
    """Which samples belong to active speech: 20 ms frames within 30 dB of the loudest. Bool, shape (n,)."""
    frame = SAMPLE_RATE // 50
    count = max(1, -(-len(speech) // frame))
    padded = np.zeros(count * frame)
    padded[: len(speech)] = speech
    power = np.mean(padded.reshape(count, frame) ** 2, axis=1)
    keep = power > max(float(np.max(power)) * 10 ** (-under_peak_db / 10), 1e-9)
    return np.repeat(keep, frame)[: len(speech)]


def level(speech: np.ndarray, dbfs: float) -> np.ndarray:
    """The same speech with its active part at `dbfs` (dB under full scale), int16."""
    where = active(speech)
    now = np.sqrt(np.mean(speech[where].astype(np.float64) ** 2)) if where.any() else 0.0
    return speech if now == 0 else int16(speech * (32768 * 10 ** (dbfs / 20) / now))


def padded(speech: np.ndarray, before: float, after: float) -> np.ndarray:
    """Silence (zeros) around speech; before, after: seconds."""
    return np.concatenate(
        [np.zeros(round(before * SAMPLE_RATE), np.int16), speech, np.zeros(round(after * SAMPLE_RATE), np.int16)]
    )


def reverb(speech: np.ndarray, room: Room, rng: np.random.Generator) -> np.ndarray:
    """Speech as heard in a room: direct sound and an exponentially dying echo. int16, same length."""
    decay, direct_db = ECHO[room]
    if decay == 0:
        return speech
    length = round(decay * SAMPLE_RATE)
    time = np.arange(length) / SAMPLE_RATE
    tail = rng.standard_normal(length) * 10 ** (-3 * time / decay)
    tail[: round(0.002 * SAMPLE_RATE)] = 0  # nothing returns within 2 ms: the nearest wall is further
    tail = lfilter([0.6], [1, -0.4], tail)  # walls swallow the highs first
    tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    return int16(fftconvolve(speech.astype(np.float64), tail)[: len(speech)])


def int16(wave: np.ndarray) -> np.ndarray:
    """Whole numbers, scaled down as a whole where they would clip."""
    top = float(np.max(np.abs(wave), initial=0.0))
    scale = 32000 / top if top > 32000 else 1.0
    return np.round(wave * scale).astype(np.int16)


def _low_passed(samples: int, rng: np.random.Generator, corner: float, order: int = 1) -> np.ndarray:
    return sosfilt(butter(order, corner, fs=SAMPLE_RATE, output="sos"), rng.standard_normal(samples))


def _slow(samples: int, rng: np.random.Generator, hertz: float, depth: float) -> np.ndarray:
    time = np.arange(samples) / SAMPLE_RATE
    return 1 + depth * np.sin(2 * np.pi * hertz * time + rng.uniform(0, 2 * np.pi))


def _tones(
    samples: int, rng: np.random.Generator, base: float, amplitudes: np.ndarray, wander: float = 0.0
) -> np.ndarray:
    """Harmonics of `base` (Hz). wander: share by which the pitch strays slowly."""
    time = np.arange(samples) / SAMPLE_RATE
    pitch = base * (1 + wander * np.sin(2 * np.pi * rng.uniform(0.1, 0.4) * time + rng.uniform(0, 2 * np.pi)))
    phase = 2 * np.pi * np.cumsum(pitch) / SAMPLE_RATE
    total = np.zeros(samples)
    for number, amplitude in enumerate(amplitudes, start=1):
        if number * base < SAMPLE_RATE / 2:
            total += amplitude * np.sin(number * phase + rng.uniform(0, 2 * np.pi))
    return total


def _blower(samples: int, rng: np.random.Generator) -> np.ndarray:
    air = _low_passed(samples, rng, rng.uniform(350, 900)) * _slow(samples, rng, rng.uniform(0.3, 1.5), 0.15)
    blades = _tones(samples, rng, rng.uniform(180, 320), np.array([1, 0.4, 0.2]), wander=0.01)
    return air / air.std() + 0.25 * blades


def _inducer(samples: int, rng: np.random.Generator) -> np.ndarray:
    hum = _tones(samples, rng, 2 * MAINS, rng.uniform(0.3, 1, 8) / np.arange(1, 9))
    whine = _tones(samples, rng, rng.uniform(700, 1400), np.array([1, 0.6, 0.3]), wander=0.015)
    rush = _low_passed(samples, rng, 2500)
    return hum + 0.6 * whine + 0.8 * rush / rush.std()


def _valve(samples: int, rng: np.random.Generator) -> np.ndarray:
    buzz = _tones(samples, rng, 2 * MAINS, rng.uniform(0.5, 1, 30) / np.sqrt(np.arange(1, 31)))
    return buzz * _slow(samples, rng, rng.uniform(2, 6), 0.1) + 0.3 * _low_passed(samples, rng, 1500)


def _compressor(samples: int, rng: np.random.Generator) -> np.ndarray:
    turn = _tones(samples, rng, rng.uniform(28, 29.5), rng.uniform(0.2, 1, 40) / np.arange(1, 41) ** 0.7, wander=0.003)
    knock = _slow(samples, rng, rng.uniform(28, 29.5), 0.6)
    rattle = sosfilt(butter(2, (400, 2500), "bandpass", fs=SAMPLE_RATE, output="sos"), rng.standard_normal(samples))
    return turn + 0.9 * knock * rattle / rattle.std()


def _rain(samples: int, rng: np.random.Generator) -> np.ndarray:
    hiss = sosfilt(butter(1, 900, "highpass", fs=SAMPLE_RATE, output="sos"), rng.standard_normal(samples))
    drops = np.zeros(samples)
    where = rng.integers(0, samples, max(1, round(samples / SAMPLE_RATE * rng.uniform(60, 200))))
    np.add.at(drops, where, rng.exponential(1.0, len(where)) * rng.choice([-1.0, 1.0], len(where)))
    ring = np.exp(-np.arange(400) / 60) * np.sin(2 * np.pi * rng.uniform(900, 1800) * np.arange(400) / SAMPLE_RATE)
    patter = fftconvolve(drops, ring)[:samples]
    return 0.5 * hiss / hiss.std() + patter / max(float(patter.std()), 1e-9)


_MAKERS: dict[str, Callable[[int, np.random.Generator], np.ndarray]] = {
    "blower": _blower,
    "inducer": _inducer,
    "valve": _valve,
    "compressor": _compressor,
    "rain": _rain,
}
