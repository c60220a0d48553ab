"""Bayes over faults, when each fault is a mixture of Gaussian clouds of readings.

A cloud ("component") is one fault in one band of severity; its mean and
covariance hold what simulated furnaces show there, with the normal spread
between furnaces folded in. The meter's error comes in with each reading.
Readings are compared on a stretched scale, asinh(x / s): straight near zero,
logarithmic far from it, so that 0.2 ohm and 40 megohm fit on one axis.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import log_ndtr, logsumexp

LOG_2PI = float(np.log(2 * np.pi))
PROVES = "board_proves_flame"
YES, NO, NEVER = "stays", "goes", "never_lit"
"""The answers to PROVES, in their order in probes.yaml."""
NEVER_AT = 2
SEEN_ODD = 0.1
"""An answer is misheard so much less often than a number; how often an eye is wrong is in its own chances
(invented)."""
DECIMAL = 0.25
"""Of the odd readings, the share that is ten times too much, and the share that is a tenth (invented)."""


@dataclass(frozen=True)
class Components:
    """C clouds over K numeric probes and one margin, and the chances of answers to L probes that are looked at.

    probes: the K probe ids, in the order in which evidence is always taken up.
    scale: (K,) the s of asinh(x / s), SI. floor: (K,) standard deviation of
    what the model itself leaves out, stretched scale.
    hypothesis: (C,) index of the fault. share: (C,) weight within its fault.
    mean: (C, K+1), cov: (C, K+1, K+1), stretched; the last axis is the margin
    by which the board's own current passes its limit (natural logarithm).
    over: (C, K) probability that the display cannot show the reading.
    senses: (C,) probability that the board takes notice of its current at all.
    looks: the L probe ids that are looked at, PROVES among them.
    chances: (C, L, A) of their answers in the order of probes.yaml, padded with 0; of PROVES only NEVER counts,
    whether the gas stays or goes follows from the margin.
    """

    probes: tuple[str, ...]
    scale: np.ndarray
    floor: np.ndarray
    hypothesis: np.ndarray
    share: np.ndarray
    mean: np.ndarray
    cov: np.ndarray
    over: np.ndarray
    senses: np.ndarray
    looks: tuple[str, ...]
    chances: np.ndarray

    @cached_property
    def along(self) -> tuple[np.ndarray, np.ndarray]:
        """mean and cov with the components last, so that every step runs along memory."""
        return np.ascontiguousarray(self.mean.T, dtype=float), np.ascontiguousarray(
            np.moveaxis(self.cov, 0, -1), dtype=float
        )

    def take(self, rows: np.ndarray) -> Components:
        """Only the components at `rows`."""
        return Components(
            self.probes, self.scale, self.floor, self.hypothesis[rows], self.share[rows],
            self.mean[rows], self.cov[rows], self.over[rows], self.senses[rows],
            self.looks, self.chances[rows],
        )  # fmt: skip


@dataclass(frozen=True)
class Shown:
    """One numeric reading as evidence. value, u: SI; value is inf when over the limit."""

    value: float
    u: float


@dataclass(frozen=True)
class Weighed:
    """What evidence does to every component.

    log_likelihood: (C,). each: probe -> (C,) its part, given the probes before it.
    mean, variance: (C, A) moments after the evidence, over the A `axes`: columns
    (indices into K+1) that were not read, the margin last.
    """

    log_likelihood: np.ndarray
    each: dict[str, np.ndarray]
    mean: np.ndarray
    variance: np.ndarray
    axes: tuple[int, ...]


def stretch(value: np.ndarray | float, scale: np.ndarray | float) -> np.ndarray:
    """asinh(value / scale); same unit in both, any shape."""
    return np.arcsinh(np.asarray(value, dtype=float) / scale)


def weigh(
    components: Components, readings: Mapping[str, Shown], seen: Mapping[str, int], odd: float, keep_all: bool = False
) -> Weighed:
    """The likelihood of the evidence under every component.

    seen: probe that is looked at -> place of its answer in probes.yaml.
    odd: probability that one reading is wrong in itself (a slipped decimal,
    swapped leads, misread, misheard, bad contact); it is then ten times or a tenth
    of what it should be, or anything on the whole stretched scale. An odd
    reading hardly pulls on the others, because it corrects a component only
    as far as the component believes it. Probes are taken up in the order of
    `components.probes`, so the order in which they were measured cannot matter.
    keep_all: keep the moments of the probes not taken too (slower).
    """
    index = {name: k for k, name in enumerate(components.probes)}
    margin = len(components.probes)
    taken = [name for name in components.probes if name in readings]
    finite = [name for name in taken if np.isfinite(readings[name].value)]
    read = [index[name] for name in finite]
    axes = (*(k for name, k in index.items() if keep_all and name not in finite), margin)
    means, covs = components.along
    # Of what is not read only its variance is kept up, and how it hangs on what is read.
    mean, cov = means[read], covs[np.ix_(read, read)]
    mean_left, variance_left, cross = means[list(axes)], covs[axes, axes], covs[np.ix_(read, axes)]
    each: dict[str, np.ndarray] = {}
    for name in taken:
        shown, column = readings[name], index[name]
        over = components.over[:, column]
        if not np.isfinite(shown.value):
            each[name] = np.log((1 - odd) * over + odd)
            continue
        at = finite.index(name)
        x = float(stretch(shown.value, components.scale[column]))
        # du/dx of asinh(x/s) is 1/sqrt(x² + s²).
        u = shown.u / np.hypot(shown.value, components.scale[column])
        variance = cov[at, at] + u * u + components.floor[column] ** 2
        gap = x - mean[at]
        inside = np.log1p(-odd) + np.log(1 - over) - 0.5 * (gap * gap / variance + np.log(variance) + LOG_2PI)
        outside = np.log(odd) + np.log(_odd_density(shown, mean[at], variance, components.scale[column]))
        each[name] = np.logaddexp(inside, outside)
        pull = np.exp(inside - each[name]) / variance
        gain = cov[at + 1 :, at] * pull
        mean[at + 1 :] += gain * gap
        mean_left += cross[at] * (pull * gap)
        variance_left -= cross[at] ** 2 * pull
        cross[at + 1 :] -= gain[:, None, :] * cross[at]
        cov[at + 1 :, at + 1 :] -= gain[:, None, :] * cov[at + 1 :, at][None, :, :]
    total = np.sum(list(each.values()), axis=0) if each else np.zeros(len(components.share))
    for name in components.looks:
        if name in seen and (name == PROVES or seen.get(PROVES) != NEVER_AT):
            # Once nothing lights, that no flame is seen says nothing more.
            chance = answer_chance(components, name, mean_left[-1], variance_left[-1])
            each[name] = np.log((1 - odd * SEEN_ODD) * chance[seen[name]] + odd * SEEN_ODD / len(chance))
            total = total + each[name]
    return Weighed(total, each, mean_left.T, variance_left.T, axes)


def _odd_density(shown: Shown, mean: np.ndarray, variance: np.ndarray, scale: float) -> np.ndarray:
    """The density (stretched) of an odd reading, where `mean` and `variance` are what it should be."""
    anything = 1 / (2 * float(stretch(1e8, 1.0)))
    found = np.asarray((1 - 2 * DECIMAL) * anything)
    for factor in (10.0, 0.1):
        gap = float(stretch(shown.value * factor, scale)) - mean
        found = found + DECIMAL * np.exp(-0.5 * gap * gap / variance) / np.sqrt(2 * np.pi * variance)
    return found


def answer_chance(components: Components, probe: str, margin: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """(A, C): the chance of every answer to a probe that is looked at. margin, variance: the margin's moments (C,)."""
    table = components.chances[:, components.looks.index(probe)].T
    if probe != PROVES:
        return table[table.any(axis=1)]
    never = table[NEVER_AT]
    yes = np.exp(log_yes(components.senses, margin, variance)) * (1 - never)
    return np.stack([yes, 1 - never - yes, never])


def log_yes(senses: np.ndarray, mean: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """log P(the board keeps the gas on), from the margin's moments; any one shape."""
    return np.asarray(np.log(senses) + log_ndtr(mean / np.sqrt(np.maximum(variance, 1e-12))))


def posterior(components: Components, prior: np.ndarray, weighed: Weighed) -> tuple[np.ndarray, np.ndarray]:
    """Posterior over components (C,) and over faults (H,), each summing to 1. prior: (H,)."""
    with np.errstate(divide="ignore"):
        log_weight = np.log(prior[components.hypothesis]) + np.log(components.share) + weighed.log_likelihood
    of_component = np.exp(log_weight - logsumexp(log_weight))
    of_fault = np.bincount(components.hypothesis, weights=of_component, minlength=len(prior))
    return of_component, of_fault / of_fault.sum()


def log_evidence(components: Components, weight: np.ndarray, log_likelihood: np.ndarray, faults: int) -> np.ndarray:
    """log of each fault's mean likelihood (H,), its components weighed by `weight` (C,); -inf where it has none."""
    peak = float(log_likelihood.max())
    top = np.bincount(components.hypothesis, weights=weight * np.exp(log_likelihood - peak), minlength=faults)
    bottom = np.bincount(components.hypothesis, weights=weight, minlength=faults)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(bottom > 0, np.log(top / bottom) + peak, -np.inf)
