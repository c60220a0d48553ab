"""Which probe to take next: most expected information for its time and risk."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from flows.faults.catalog import Probe
from flows.reason_mixture import LOG_2PI, Components, Weighed, log_yes, stretch

OUTCOMES = 40
GOLDEN = (np.sqrt(5) - 1) / 2


@dataclass(frozen=True)
class Gain:
    """What one probe is expected to tell. bits: expected fall of the entropy over faults. worth: bits per second and risk."""

    probe: str
    bits: float
    worth: float


def entropy(probability: np.ndarray) -> np.ndarray:
    """Shannon entropy in bits along the last axis of probabilities that sum to 1 there."""
    kept = np.maximum(probability, 1e-300)
    return -np.sum(kept * np.log2(kept), axis=-1)


def gains(
    components: Components, weight: np.ndarray, weighed: Weighed, candidates: Mapping[str, Probe], error: Callable[[str, np.ndarray], np.ndarray], odd: float
) -> list[Gain]:
    """The expected information of each candidate probe, in the order given.

    weight: (C,) posterior of the components, summing to 1. weighed: made with
    keep_all. error(probe id, SI values) -> the meter's standard uncertainty
    (SI). odd: as in `weigh`. Nothing is drawn at random: outcomes are taken
    evenly through the predicted mixture.
    """
    kinds, groups = np.unique(components.hypothesis, return_inverse=True)
    onehot = np.zeros((len(weight), len(kinds)))
    onehot[np.arange(len(weight)), groups] = 1.0
    before = float(entropy(weight @ onehot))
    found = []
    for name, probe in candidates.items():
        if name == "board_proves_flame":
            yes = np.exp(log_yes(components.senses, weighed.mean[:, -1], weighed.cov[:, -1, -1]))
            bits = _binary(weight, onehot, before, (1 - odd) * yes + odd / 2)
        else:
            bits = _numeric(components, weight, weighed, onehot, before, name, error, odd)
        found.append(Gain(name, bits, bits / (probe.seconds * probe.risk)))
    return found


def choose(found: Sequence[Gain], probes: Mapping[str, Probe], least_bits: float, same: float) -> Gain | None:
    """The best of `found`, or None when nothing tells at least `least_bits`.

    A live probe gives way to the best dead one that tells at least the share
    `same` of what it tells, however long the dead one takes.
    """
    useful = [one for one in found if one.bits >= least_bits]
    if not useful:
        return None
    best = max(useful, key=lambda one: one.worth)
    if probes[best.probe].live:
        dead = [one for one in useful if not probes[one.probe].live and one.bits >= same * best.bits]
        best = max(dead, key=lambda one: one.worth, default=best)
    return best


def _binary(weight: np.ndarray, onehot: np.ndarray, before: float, yes: np.ndarray) -> float:
    after = 0.0
    for likelihood in (yes, 1 - yes):
        joint = weight * likelihood
        total = float(joint.sum())
        if total > 0:
            after += total * float(entropy(joint @ onehot / total))
    return max(before - after, 0.0)


def _numeric(
    components: Components, weight: np.ndarray, weighed: Weighed, onehot: np.ndarray, before: float, probe: str,
    error: Callable[[str, np.ndarray], np.ndarray], odd: float,
) -> float:  # fmt: skip
    k = components.probes.index(probe)
    at = weighed.axes.index(k)
    scale = components.scale[k]
    mean = weighed.mean[:, at]
    variance = np.maximum(weighed.cov[:, at, at], 0) + components.floor[k] ** 2
    over = (1 - odd) * components.over[:, k] + odd * 0.05
    share_over = float(weight @ over)
    after = share_over * float(entropy((weight * over) @ onehot / share_over))
    finite = weight * (1 - over)
    total = float(finite.sum())
    if total <= 1e-9:
        return max(before - after, 0.0)
    # Evenly through the mixture: a systematic sample of components, each with
    # a normal quantile from an additive golden-ratio sequence.
    step = (np.arange(OUTCOMES) + 0.5) / OUTCOMES
    rows = np.searchsorted(np.cumsum(finite) / total, step, side="left").clip(0, len(weight) - 1)
    z = ndtri((0.5 + GOLDEN * np.arange(OUTCOMES)) % 1 * 0.998 + 0.001)
    centre = mean[rows]
    value = np.abs(np.sinh(centre) * scale)
    blur = (error(probe, value) / np.hypot(value, scale)) ** 2
    x = centre + z * np.sqrt(variance[rows] + blur)
    spread = variance[None, :] + blur[:, None]
    gap = x[:, None] - mean[None, :]
    density = np.exp(-0.5 * (gap * gap / spread + np.log(spread) + LOG_2PI))
    outside = odd / (2 * float(stretch(1e8, 1.0)))
    joint = finite[None, :] * ((1 - odd) * density + outside)
    of_fault = joint @ onehot
    of_fault /= of_fault.sum(axis=1, keepdims=True)
    after += total * float(entropy(of_fault).mean())
    return max(before - after, 0.0)
