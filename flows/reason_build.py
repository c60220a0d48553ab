"""Build `Knowledge`: simulate every fault and sum its readings up as Gaussian clouds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np

from flows.circuit.furnace import Furnace
from flows.circuit.probes import read
from flows.circuit.readings import sense_current
from flows.faults import catalog
from flows.faults.draws import healthy, with_fault
from flows.profiles import Equipment, Meter
from flows.reason_knowledge import Knowledge
from flows.reason_mixture import Components, stretch

BANDS = 10
"""Bands of severity of a single fault; pairs have PAIR_BANDS times PAIR_BANDS."""
PAIR_BANDS = 3
SHRINK = 0.5
"""Share of a band's own covariance kept; the rest is its fault's mean correlation."""
LEAST = 1e-3
MARGIN_SCALE = 0.5
BATCH = 8192
PAIRS = 220
"""Pairs kept by default, the likeliest first."""


@dataclass(frozen=True)
class _Clouds:
    mean: np.ndarray
    cov: np.ndarray
    over: np.ndarray
    senses: np.ndarray


def build_knowledge(equipment: Equipment, meter: Meter, rng: np.random.Generator, draws: int = 48, names: Sequence[str] | None = None) -> Knowledge:
    """Knowledge of one equipment family and meter, by simulation.

    draws: furnaces for each band of severity (pairs take a half).
    names: the faults and pairs to know; by default every single fault and the PAIRS likeliest pairs.
    """
    prior = catalog.shipped_prior()
    hypotheses = tuple(names if names is not None else likeliest(prior, PAIRS))
    probes = tuple(p for p, one in catalog.probes().items() if not one.proof and one.quantity != "yes_no")
    book = catalog.probes()
    scale = np.array([book[p].scale for p in probes])
    floor = np.array([book[p].floor for p in probes])
    tops = np.array([meter.function(book[p].quantity).ranges[-1].top for p in probes])
    owner: list[int] = []
    share: list[float] = []
    clouds: list[_Clouds] = []
    for group in _groups(hypotheses, rng, draws):
        shown, margin, senses = _simulate(equipment, meter, hypotheses, group, probes, rng)
        at = 0
        for h, levels in group:
            bands, count = levels[0].shape
            rows = slice(at, at + bands * count)
            at += bands * count
            clouds.append(_sum_up(shown[rows], margin[rows], senses[rows], (bands, count), scale, tops))
            owner += [h] * bands
            share += [1 / bands] * bands
    components = Components(
        probes=probes,
        scale=scale,
        floor=floor,
        hypothesis=np.array(owner),
        share=np.array(share),
        mean=np.concatenate([one.mean for one in clouds]),
        cov=np.concatenate([one.cov for one in clouds]),
        over=np.concatenate([one.over for one in clouds]),
        senses=np.concatenate([one.senses for one in clouds]),
    )
    weights = np.array([prior.get(name, 0.0) for name in hypotheses])
    return Knowledge(equipment, meter, hypotheses, weights / weights.sum(), components)


def likeliest(prior: dict[str, float], pairs: int) -> list[str]:
    """Every single fault and the `pairs` likeliest pairs of `prior`."""
    singles = [name for name in prior if len(catalog.parts(name)) == 1]
    twos = sorted((name for name in prior if len(catalog.parts(name)) == 2), key=lambda name: -prior[name])
    return singles + twos[:pairs]


def severities(name: str, rng: np.random.Generator, draws: int) -> list[np.ndarray]:
    """For each single fault in `name`, severities of shape (bands, furnaces), spread evenly over the bands."""
    parts = catalog.parts(name)
    graded = [_graded(one) for one in parts]
    if len(parts) == 1:
        bands = BANDS if graded[0] else 1
        count = draws if graded[0] else 4 * draws
        return [(np.arange(bands)[:, None] + _even(rng, (bands, count))) / bands]
    count = max(draws // 2, 8)
    axes = [np.arange(PAIR_BANDS if one else 1) for one in graded]
    first, second = (grid.ravel() for grid in np.meshgrid(*axes, indexing="ij"))
    return [(grid[:, None] + _even(rng, (len(grid), count))) / len(axis) for grid, axis in zip((first, second), axes, strict=True)]


def _even(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """One number in each of shape[1] even slots of 0 to 1, shuffled, for each row."""
    slots = rng.permuted(np.tile(np.arange(shape[1]), (shape[0], 1)), axis=1)
    return (slots + rng.random(shape)) / shape[1]


def _graded(fault: str) -> bool:
    """Whether the fault has degrees at all."""
    return any(one.ends[0] != one.ends[1] for one in catalog.fault(fault).circuit.values() if not one.own)


def _groups(hypotheses: Sequence[str], rng: np.random.Generator, draws: int) -> Iterator[list[tuple[int, list[np.ndarray]]]]:
    """Faults with their severities, gathered so that each group is one large batch of furnaces."""
    group: list[tuple[int, list[np.ndarray]]] = []
    size = 0
    for h, name in enumerate(hypotheses):
        levels = severities(name, rng, draws)
        group.append((h, levels))
        size += levels[0].size
        if size >= BATCH:
            yield group
            group, size = [], 0
    if group:
        yield group


def _simulate(
    equipment: Equipment, meter: Meter, names: Sequence[str], group: Sequence[tuple[int, list[np.ndarray]]], probes: Sequence[str], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Readings (N, K) in SI, the board's margin (N,) stretched, and whether it senses at all (N,)."""
    parts = []
    for h, levels in group:
        furnace = healthy(equipment, meter, rng, levels[0].size)
        for one, level in zip(catalog.parts(names[h]), levels, strict=True):
            furnace = with_fault(furnace, one, level.ravel(), rng.random(level.size))
        parts.append(furnace)
    all_of_them = joined(parts)
    n = all_of_them.shape[0]
    shown = np.stack([np.broadcast_to(read(all_of_them, p), (n,)) for p in probes], axis=-1)
    margin = stretch(sense_current(all_of_them) / all_of_them.sense_threshold, MARGIN_SCALE) - stretch(1.0, MARGIN_SCALE)
    return shown, margin, np.where(np.asarray(all_of_them.sense_broken) > 0.5, 0.0, 1.0) * np.ones(n)


def _sum_up(shown: np.ndarray, margin: np.ndarray, senses: np.ndarray, shape: tuple[int, int], scale: np.ndarray, tops: np.ndarray) -> _Clouds:
    bands, count = shape
    over = ~(shown <= tops)
    data = np.concatenate([stretch(np.where(over, tops, shown), scale), margin[:, None]], axis=-1).reshape(bands, count, -1)
    seen = np.concatenate([~over, np.ones((bands * count, 1), bool)], axis=-1).reshape(data.shape)
    mean, cov = _moments(data, seen)
    missed = (over.reshape(bands, count, -1).sum(axis=1) + LEAST) / (count + 2 * LEAST)
    return _Clouds(mean, cov, missed, np.clip(senses.reshape(bands, count).mean(axis=1), LEAST, 1.0))


def _moments(data: np.ndarray, seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean (bands, K) and covariance (bands, K, K) of data (bands, count, K), over the values that were seen."""
    number = np.maximum(seen.sum(axis=1), 1)
    kept = np.where(seen, data, 0.0)
    none = seen.sum(axis=1) == 0
    mean = np.where(none, data.mean(axis=1), kept.sum(axis=1) / number)
    away = np.where(seen, data - mean[:, None], 0.0)
    own = np.einsum("bci,bcj->bij", away, away) / np.maximum(np.sqrt(number[:, :, None] * number[:, None, :]) - 1, 1)
    sd = np.sqrt(np.maximum(np.einsum("bii->bi", own), 1e-10))
    unit = away / sd[:, None]
    common = np.einsum("bci,bcj->ij", unit, unit)
    size = np.sqrt(np.maximum(np.diag(common), 1e-12))
    common = common / size / size[:, None]
    np.fill_diagonal(common, 1.0)
    pooled = sd[:, :, None] * common * sd[:, None, :]
    cov = SHRINK * own + (1 - SHRINK) * pooled
    index = np.arange(data.shape[-1])
    cov[:, index, index] = sd * sd * 1.02 + 1e-8
    return mean, cov


def joined(parts: Sequence[Furnace]) -> Furnace:
    """One batch of several batches of furnaces."""
    sizes = [one.shape[0] for one in parts]
    return Furnace(**{f.name: np.concatenate([np.broadcast_to(getattr(one, f.name), (n,)) for one, n in zip(parts, sizes, strict=True)]) for f in fields(Furnace)})
