"""The parts of a PocketSphinx acoustic model as arrays, read from and written to its own files.

Only the kind that its wheel carries: phonetically tied mixtures, 42 codebooks
(one a phone) of 3 streams (cepstra, their first and second differences) of
128 Gaussians in 13 dimensions, and mixture weights of 8 bits a senone.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pocketsphinx

from assistant.errors import ModelError

_NAMES = (
    "+NSN+ +SPN+ AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH SIL T TH UH UW V W Y"
    " Z ZH"
)
PHONES = tuple(_NAMES.split())
"""Codebooks in the order of the model definition."""
STREAMS, DIMENSIONS = 3, 13
WEIGHT_STEP = 1024 * math.log(1.0001)
"""Nats of one step of a stored mixture weight: the engine keeps logarithms to the base 1.0001, shifted by 10 bits."""
LEAST_VARIANCE = 1e-3
MOST_GAUSSIANS = 256
_MARK = 0x11223344


@dataclass(frozen=True)
class Acoustic:
    """means, variances: float64, shape (phones, streams, Gaussians, dimensions).

    weights: logarithms of mixture weights, shape (streams, Gaussians, senones).
    """

    means: np.ndarray
    variances: np.ndarray
    weights: np.ndarray


def wheel_folder() -> Path:
    """The English model inside the PocketSphinx wheel."""
    return Path(pocketsphinx.get_model_path("en-us/en-us"))


def read_acoustic(folder: Path) -> Acoustic:
    """The model parts in `folder`. Raises ModelError."""
    try:
        means, variances = (_read_gaussians((folder / name).read_bytes()) for name in ("means", "variances"))
        _, steps = _read_weights((folder / "sendump").read_bytes())
    except (OSError, ValueError, struct.error) as error:
        raise ModelError(
            f"The acoustic model in {folder} cannot be read ({error}).", "Install pocketsphinx again."
        ) from error
    return Acoustic(means, np.maximum(variances, LEAST_VARIANCE), -steps.astype(np.float64) * WEIGHT_STEP)


def write_acoustic(model: Acoustic, folder: Path, like: Path | None = None) -> None:
    """Write means, variances and sendump. like: the folder whose sendump head is kept, the wheel's by default."""
    head, _ = _read_weights(((like or wheel_folder()) / "sendump").read_bytes())
    count, senones = model.weights.shape[1:]
    # the number of Gaussians stands in the head twice: in words, and right before the weights
    head = re.sub(rb"mixture_count \d+", f"mixture_count {count}".encode(), head[:-8]) + struct.pack(
        "<2i", count, senones
    )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "means").write_bytes(_gaussian_bytes(model.means))
    (folder / "variances").write_bytes(_gaussian_bytes(model.variances))
    steps = np.clip(np.round(-model.weights / WEIGHT_STEP), 0, 159).astype(np.uint8)
    (folder / "sendump").write_bytes(head + steps.tobytes())


def merged(one: Acoustic, other: Acoustic) -> Acoustic:
    """A model with the Gaussians of both, each model at half its weights: what either knows is not forgotten.

    The engine numbers Gaussians with 8 bits, so both together may have 256. Raises ModelError.
    """
    if one.means.shape[2] + other.means.shape[2] > MOST_GAUSSIANS:
        raise ModelError(
            f"The two models have more than {MOST_GAUSSIANS} Gaussians together.",
            "Merge models that were not merged before.",
        )
    half = math.log(0.5)
    return Acoustic(
        np.concatenate([one.means, other.means], axis=2),
        np.concatenate([one.variances, other.variances], axis=2),
        np.concatenate([one.weights + half, other.weights + half], axis=1),
    )


def features(cepstra: np.ndarray) -> np.ndarray:
    """What the engine's Gaussians see of one utterance of cepstra, shape (frames, 13): shape (frames, 39).

    The mean of the utterance is taken off (frames of negative energy do not
    count), then come differences over 4 frames and differences of those over
    2; the ends are repeated. This is the engine's feature type "1s_c_d_dd".
    """
    counted = cepstra[:, 0] >= 0
    flat = cepstra - (cepstra[counted] if counted.any() else cepstra).mean(axis=0)
    long = np.concatenate([np.repeat(flat[:1], 3, axis=0), flat, np.repeat(flat[-1:], 3, axis=0)])
    count = len(flat)

    def at(offset: int) -> np.ndarray:
        return long[3 + offset : 3 + offset + count]

    return np.concatenate([flat, at(2) - at(-2), (at(3) - at(-1)) - (at(1) - at(-3))], axis=1)


def _read_gaussians(raw: bytes) -> np.ndarray:
    at = raw.index(b"endhdr\n") + len(b"endhdr\n")
    mark, codebooks, streams, count = struct.unpack_from("<I3i", raw, at)
    if mark != _MARK or (codebooks, streams) != (len(PHONES), STREAMS):
        raise ValueError("not a model of 42 codebooks and 3 streams")
    at += 16 + 4 * streams
    (total,) = struct.unpack_from("<i", raw, at)
    flat = np.frombuffer(raw, "<f4", total, at + 4)
    return flat.reshape(codebooks, streams, count, DIMENSIONS).astype(np.float64)


def _gaussian_bytes(values: np.ndarray) -> bytes:
    codebooks, streams, count, dimensions = values.shape
    flat = values.astype("<f4").reshape(-1)
    head = struct.pack("<I3i", _MARK, codebooks, streams, count) + struct.pack(f"<{streams}i", *[dimensions] * streams)
    return b"s3\nversion 1.0\n        endhdr\n" + head + struct.pack("<i", flat.size) + flat.tobytes()


def _read_weights(raw: bytes) -> tuple[bytes, np.ndarray]:
    """Everything before the weights, and the weights as stored steps, shape (streams, Gaussians, senones)."""
    at = 0
    while True:
        (length,) = struct.unpack_from("<i", raw, at)
        at += 4
        if length == 0:
            break
        at += length
    rows, columns = struct.unpack_from("<2i", raw, at)
    at += 8
    return raw[:at], np.frombuffer(raw, np.uint8, STREAMS * rows * columns, at).reshape(STREAMS, rows, columns)
