"""Which probe to take next: most expected information for its time and risk."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import ndtri

from flows.faults.catalog import Probe, settings
from flows.reason.mixture import LOG_2PI, SEEN_ODD, Components, Weighed, answer_chance, stretch

OUTCOMES = 18
FEW = 10
GOLDEN = (np.sqrt(5) - 1) / 2


Power = Literal["on", "dead"]
Wiring = Literal["plugged", "unplugged", "series"]


@dataclass(frozen=True)
class Place:
    """How the furnace stands: power "on", or "dead" (off and proven); wiring: the rod wire on the rod, off it, or
    with the meter in series."""

    power: Power = "on"
    wiring: Wiring = "plugged"


def moved_to(place: Place, probe: Probe) -> tuple[Place, int, int]:
    """The place in which `probe` is read, and how often the power goes off and on to get there.

    The power goes off before the rod wire is touched, as well as for a dead reading.
    """
    wiring = place.wiring if probe.wiring == "any" else probe.wiring
    power: Power = "on" if probe.live else "dead"
    off = int(place.power == "on" and (power == "dead" or wiring != place.wiring))
    on = int(power == "on" and (place.power == "dead" or off > 0))
    return Place(power, wiring), off, on


def cost(probe: Probe, place: Place | None, off_seconds: float, on_seconds: float) -> float:
    """Seconds of one reading weighed by its risk, and those of getting there from `place`."""
    if place is None:
        return probe.seconds * probe.risk
    _, off, on = moved_to(place, probe)
    return settings().handling_seconds + probe.seconds * probe.risk + off * off_seconds + on * on_seconds


@dataclass(frozen=True)
class Gain:
    """What one probe is expected to tell. bits: expected fall of the entropy over faults. worth: bits per second and
    risk."""

    probe: str
    bits: float
    worth: float


def entropy(probability: np.ndarray) -> np.ndarray:
    """Shannon entropy in bits along the last axis of probabilities that sum to 1 there."""
    kept = np.maximum(probability, 1e-300)
    return np.asarray(-np.sum(kept * np.log2(kept), axis=-1))


@dataclass(frozen=True)
class Sight:
    """What is believed now, for looking one reading ahead.

    weight: (C,) posterior of the components, summing to 1. weighed: made with keep_all.
    error: (probe id, SI values) -> the meter's standard uncertainty (SI). odd: as in `weigh`.
    """

    components: Components
    weight: np.ndarray
    weighed: Weighed
    error: Callable[[str, np.ndarray], np.ndarray]
    odd: float

    def by_fault(self) -> np.ndarray:
        """(C, F): 1 where a component belongs to a fault, the faults in ascending order."""
        kinds, groups = np.unique(self.components.hypothesis, return_inverse=True)
        onehot = np.zeros((len(self.weight), len(kinds)))
        onehot[np.arange(len(self.weight)), groups] = 1.0
        return onehot


def gains(sight: Sight, candidates: Mapping[str, Probe], seconds: Callable[[Probe], float] | None = None) -> list[Gain]:
    """The expected information of each candidate probe, in the order given. seconds: what it costs; its own time by
    default."""
    onehot = sight.by_fault()
    found = []
    for name, probe in candidates.items():
        bits = bits_of(sight, name, onehot)
        found.append(Gain(name, bits, bits / (seconds(probe) if seconds else probe.seconds * probe.risk)))
    return found


def bits_of(sight: Sight, probe: str, onehot: np.ndarray, count: int = OUTCOMES) -> float:
    """The expected fall of the entropy over faults when `probe` is read, from `count` outcomes. onehot: by_fault()."""
    chance, after = outcomes(sight, probe, count)
    return max(float(entropy(sight.weight @ onehot)) - float(chance @ entropy(after @ onehot)), 0.0)


def left_after(sight: Sight, probe: str, first: str) -> float:
    """The bits that `probe` is still expected to tell once `first` was read.

    How `first` narrows the readings of one component is left out: only which
    components it leaves is counted.
    """
    onehot = sight.by_fault()
    chance, after = outcomes(sight, first, FEW)
    return float(
        sum(
            p * bits_of(replace(sight, weight=weight), probe, onehot, FEW)
            for p, weight in zip(chance, after, strict=True)
        )
    )


def choose(
    found: Sequence[Gain],
    probes: Mapping[str, Probe],
    least_bits: float,
    same: float,
    left: Callable[[str, str], float],
    at: Place | None = None,
) -> Gain | None:
    """The best of `found`, or None when nothing tells at least `least_bits`.

    A live probe gives way to a dead one that tells the same, however long the
    dead one takes: one that tells at least the share `same` of the live one's
    bits and after which the live one has at most the rest left to tell. Where the
    power is on and would have to go off for the dead one alone, it does not give way.
    left: `left_after` without its first argument.
    """
    useful = [one for one in found if one.bits >= least_bits]
    if not useful:
        return None
    best = max(useful, key=lambda one: one.worth)
    if probes[best.probe].live and (at is None or moved_to(at, probes[best.probe])[1] or at.power == "dead"):
        dead = [one for one in useful if not probes[one.probe].live and one.bits >= same * best.bits]
        for one in sorted(dead, key=lambda one: -one.worth):
            if left(best.probe, one.probe) <= (1 - same) * best.bits:
                return one
    return best


def outcomes(sight: Sight, probe: str, count: int) -> tuple[np.ndarray, np.ndarray]:
    """What reading `probe` may bring: the chance of each outcome (N,) and the components' posterior after it (N, C).

    Nothing is drawn at random: outcomes are taken evenly through the predicted mixture.
    """
    parts, weighed, odd = sight.components, sight.weighed, sight.odd
    if probe in parts.looks:
        answers = answer_chance(parts, probe, weighed.mean[:, -1], weighed.variance[:, -1])
        likely = (1 - odd * SEEN_ODD) * answers + odd * SEEN_ODD / len(answers)
        return _normal(likely @ sight.weight, likely * sight.weight)
    k = parts.probes.index(probe)
    over = (1 - odd) * parts.over[:, k] + odd * settings().over_by_chance
    finite = sight.weight * (1 - over)
    total = float(finite.sum())
    joint = [(sight.weight * over)[None, :]]
    chance = [np.array([1 - total])]
    if total > 1e-9:
        joint.append(_shown(sight, k, finite, total, count))
        chance.append(np.full(count, total / count))
    return _normal(np.concatenate(chance), np.concatenate(joint))


def _shown(sight: Sight, k: int, finite: np.ndarray, total: float, count: int) -> np.ndarray:
    """Joint weights (count, C) of the components with each of `count` even outcomes that the display can show."""
    parts, at = sight.components, sight.weighed.axes.index(k)
    scale = parts.scale[k]
    mean = sight.weighed.mean[:, at]
    variance = np.maximum(sight.weighed.variance[:, at], 0) + parts.floor[k] ** 2
    # A systematic sample of components, each with a normal quantile from an
    # additive golden-ratio sequence.
    step = (np.arange(count) + 0.5) / count
    rows = np.searchsorted(np.cumsum(finite) / total, step, side="left").clip(0, len(finite) - 1)
    z = ndtri((0.5 + GOLDEN * np.arange(count)) % 1 * 0.998 + 0.001)
    centre = mean[rows]
    value = np.abs(np.sinh(centre) * scale)
    blur = (sight.error(parts.probes[k], value) / np.hypot(value, scale)) ** 2
    x = centre + z * np.sqrt(variance[rows] + blur)
    spread = variance[None, :] + blur[:, None]
    gap = x[:, None] - mean[None, :]
    density = np.exp(-0.5 * (gap * gap / spread + np.log(spread) + LOG_2PI))
    outside = sight.odd / (2 * float(stretch(1e8, 1.0)))
    return np.asarray(finite[None, :] * ((1 - sight.odd) * density + outside))


def _normal(chance: np.ndarray, joint: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return chance, joint / np.maximum(joint.sum(axis=1, keepdims=True), 1e-300)
