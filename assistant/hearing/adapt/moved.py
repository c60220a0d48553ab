"""Move an acoustic model towards a room or a voice: maximum a posteriori re-estimation.

Gauvain and Lee, "Maximum a posteriori estimation for multivariate Gaussian
mixture observations of Markov chains", IEEE Trans. Speech and Audio
Processing 2, 1994. The state of every frame is given; where clean and noisy
sound of the same words exist, it is found on the clean one (single-pass
retraining).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np
from scipy import sparse

from assistant.hearing.engines.acoustic import DIMENSIONS, LEAST_VARIANCE, STREAMS, Acoustic


@dataclass(frozen=True)
class Frames:
    """features: float, shape (n, 39). phones: codebook of each frame, shape (n,). senones: shape (n,)."""

    features: np.ndarray
    phones: np.ndarray
    senones: np.ndarray


def together(parts: Sequence[Frames]) -> Frames:
    """All frames in one; at least one part."""
    return Frames(*(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Frames)))


@dataclass(frozen=True)
class Caution:
    """How many frames the old model counts for: for a Gaussian's mean, its variance, and a senone's weights."""

    mean: float = 20.0
    variance: float = 40.0
    weights: float = 30.0


def adapt(model: Acoustic, frames: Frames, caution: Caution | None = None, rounds: int = 3) -> Acoustic:
    """The model after `rounds` of re-estimation from the frames; the same model without frames."""
    caution = caution or Caution()
    found = model
    for _ in range(rounds):
        found = _once(model, found, frames, caution)
    return found


def likelihood(model: Acoustic, frames: Frames) -> float:
    """Mean logarithm of the density of a frame, nats, all streams together."""
    total = sum(float(density.sum()) for _, _, _, density, _ in _shares(model, frames))
    return total / max(1, len(frames.phones))


def _shares(model: Acoustic, frames: Frames) -> Iterator[tuple[int, int, np.ndarray, np.ndarray, np.ndarray]]:
    """For each codebook and stream with frames: (codebook, stream, which frames, log density of each, share of each
    Gaussian)."""
    for phone in np.unique(frames.phones):
        rows = np.flatnonzero(frames.phones == phone)
        for stream in range(STREAMS):
            x = frames.features[rows, stream * DIMENSIONS : (stream + 1) * DIMENSIONS]
            means, variances = model.means[phone, stream], model.variances[phone, stream]
            square = (x**2) @ (1 / variances).T - 2 * x @ (means / variances).T + (means**2 / variances).sum(axis=1)
            log = (
                -0.5 * (square + np.log(2 * np.pi * variances).sum(axis=1))
                + model.weights[stream][:, frames.senones[rows]].T
            )
            top = log.max(axis=1, keepdims=True)
            part = np.exp(log - top)
            whole = part.sum(axis=1, keepdims=True)
            yield int(phone), stream, rows, (top + np.log(whole))[:, 0], part / whole


def _once(old: Acoustic, now: Acoustic, frames: Frames, caution: Caution) -> Acoustic:
    count = np.zeros(old.means.shape[:3])
    first, second = np.zeros_like(old.means), np.zeros_like(old.means)
    mixtures = np.zeros_like(old.weights)
    for phone, stream, rows, _, share in _shares(now, frames):
        x = frames.features[rows, stream * DIMENSIONS : (stream + 1) * DIMENSIONS]
        count[phone, stream] += share.sum(axis=0)
        first[phone, stream] += share.T @ x
        second[phone, stream] += share.T @ x**2
        senones, place = np.unique(frames.senones[rows], return_inverse=True)
        which = sparse.csr_matrix((np.ones(len(rows)), (place, np.arange(len(rows)))), shape=(len(senones), len(rows)))
        mixtures[stream][:, senones] += (which @ share).T
    means = (caution.mean * old.means + first) / (caution.mean + count)[..., None]
    total = (caution.variance + count)[..., None]
    mean_now = (caution.variance * old.means + first) / total
    square_now = (caution.variance * (old.variances + old.means**2) + second) / total
    variances = np.maximum(square_now - 2 * means * mean_now + means**2, LEAST_VARIANCE)
    before = np.exp(old.weights)
    before /= before.sum(axis=1, keepdims=True)
    weights = (caution.weights * before + mixtures) / (caution.weights + mixtures.sum(axis=1, keepdims=True))
    seen = mixtures.sum(axis=1, keepdims=True) > 0
    # senones without frames keep what the file says, bit for bit
    return Acoustic(means, variances, np.where(seen, np.log(np.maximum(weights, 1e-9)), old.weights))
