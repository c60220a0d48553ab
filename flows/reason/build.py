"""Build `Knowledge`: simulate every fault on boards nobody has opened and sum its readings up as Gaussian clouds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np

from flows.circuit.furnace import Furnace
from flows.circuit.insides import stiffness, unknown_boards
from flows.circuit.probes import read_many
from flows.circuit.readings import sense_current
from flows.faults import catalog
from flows.faults.catalog import Variant
from flows.faults.draws import answer_chances, around, changed
from flows.judge.profiles import Equipment, Meter
from flows.reason.knowledge import Knowledge
from flows.reason.mixture import NEVER, PROVES, Components, stretch

BANDS = 6
"""Bands of severity of a single fault; pairs have PAIR_BANDS times PAIR_BANDS."""
PAIR_BANDS = 2
STIFF = 2
"""Groups of boards built one way by how stiff their rod supply is: inside one, readings hang together nearly
linearly."""
BOARDS = 600
SHRINK = 0.5
"""Share of a band's own covariance kept; the rest is its fault's mean correlation."""
LEAST = 1e-3
MARGIN_SCALE = 0.5
BATCH = 8192
PAIRS = 220
"""Pairs kept by default, the likeliest first."""
SOFT = frozenset({"none", "harness", "rod", "burner ground", "flame", "board"})
"""Families whose readings hang on how stiff the rod supply is; the others are built by its make alone."""


@dataclass(frozen=True)
class _Plan:
    """Furnaces to simulate for one fault (or pair) with one face of it and one stratum of boards.

    rows: the boards. levels: a severity (bands, count) for each single fault.
    """

    hypothesis: int
    share: float
    faces: tuple[Variant, ...]
    rows: np.ndarray
    levels: list[np.ndarray]


@dataclass(frozen=True)
class _Clouds:
    mean: np.ndarray
    cov: np.ndarray
    over: np.ndarray
    senses: np.ndarray


def build_knowledge(
    equipment: Equipment, meter: Meter, rng: np.random.Generator, draws: int = 40, names: Sequence[str] | None = None
) -> Knowledge:
    """Knowledge of one equipment family and meter, by simulation.

    draws: furnaces for each band of severity and stratum of boards (pairs take a half).
    names: the faults and pairs to know; by default every single fault and the PAIRS likeliest pairs.
    """
    prior = catalog.shipped_prior(equipment.rod)
    hypotheses = tuple(names if names is not None else likeliest(prior, PAIRS))
    book = {name: one for name, one in catalog.probes().items() if catalog.fits(one, equipment.rod)}
    probes = tuple(p for p, one in book.items() if one.numeric and not one.proof)
    looks = tuple(p for p, one in book.items() if not one.numeric)
    scale = np.array([book[p].scale for p in probes])
    tops = np.array([meter.function(book[p].quantity).ranges[-1].top for p in probes])
    boards = unknown_boards(equipment, meter, rng, BOARDS)
    strata = _strata(boards)
    owner: list[int] = []
    share: list[float] = []
    chances: list[np.ndarray] = []
    clouds: list[_Clouds] = []
    for group in _groups(hypotheses, strata, rng, draws):
        shown, margin, senses = _simulate(boards, group, probes, rng)
        at = 0
        for plan in group:
            bands, count = plan.levels[0].shape
            rows = slice(at, at + bands * count)
            at += bands * count
            clouds.append(_sum_up(shown[rows], margin[rows], senses[rows], (bands, count), scale, tops))
            owner += [plan.hypothesis] * bands
            share += [plan.share / bands] * bands
            chances += [_answers(plan.faces, looks)] * bands
    components = Components(
        probes=probes,
        looks=looks,
        scale=scale,
        floor=np.array([book[p].floor for p in probes]),
        hypothesis=np.array(owner),
        share=np.array(share),
        mean=np.concatenate([one.mean for one in clouds]).astype(np.float32),
        cov=np.concatenate([one.cov for one in clouds]).astype(np.float32),
        over=np.concatenate([one.over for one in clouds]),
        senses=np.concatenate([one.senses for one in clouds]),
        chances=np.stack(chances),
    )
    weights = np.array([prior.get(name, 0.0) for name in hypotheses])
    return Knowledge(equipment, meter, hypotheses, weights / weights.sum(), components)


def likeliest(prior: dict[str, float], pairs: int) -> list[str]:
    """Every single fault and the `pairs` likeliest pairs of `prior`."""
    singles = [name for name in prior if len(catalog.parts(name)) == 1]
    twos = sorted((name for name in prior if len(catalog.parts(name)) == 2), key=lambda name: -prior[name])
    return singles + twos[:pairs]


def _strata(boards: Furnace) -> list[list[np.ndarray]]:
    """For each way a board is built (where its rod supply and its C come from) its rows, in STIFF groups, softest
    last."""
    built = 2 * np.broadcast_to(boards.rod_from_secondary, boards.shape) + np.broadcast_to(
        boards.common_at_cabinet, boards.shape
    )
    order = np.argsort(stiffness(boards))
    return [np.array_split(order[built[order] == way], STIFF) for way in range(4)]


def _answers(faces: tuple[Variant, ...], looks: Sequence[str]) -> np.ndarray:
    """(L, A): the chance of every answer, in the order of probes.yaml, padded with 0."""
    width = max(len(catalog.probes()[p].answers) for p in looks)
    table = np.zeros((len(looks), width))
    for row, probe in enumerate(looks):
        one = catalog.probes()[probe]
        chance = answer_chances(faces, probe)
        if one.unlit:
            never = answer_chances(faces, PROVES)[NEVER]
            # A fault that says what the flame looks like has counted the times there is none.
            said = any(probe in face.shows for face in faces)
            chance = (
                chance
                if said
                else {name: (1 - never) * value + never * (name == one.unlit) for name, value in chance.items()}
            )
        found = list(chance.values())
        table[row, : len(found)] = found
    return table


def _plans(h: int, name: str, strata: list[list[np.ndarray]], rng: np.random.Generator, draws: int) -> Iterator[_Plan]:
    parts = [catalog.fault(one) for one in catalog.parts(name)]
    drives = [np.concatenate(groups) for groups in strata]
    total = sum(len(rows) for rows in drives)
    if len(parts) > 1:
        faces = tuple(one.faces[0] for one in parts)
        graded = [_graded(one) for one in faces]
        count = max(draws // 2, 8)
        axes = [np.arange(PAIR_BANDS if one else 1) for one in graded]
        first, second = (grid.ravel() for grid in np.meshgrid(*axes, indexing="ij"))
        levels = [
            (grid[:, None] + _even(rng, (len(grid), count))) / len(axis)
            for grid, axis in zip((first, second), axes, strict=True)
        ]
        for rows in (np.concatenate(drives[:2]), np.concatenate(drives[2:])):
            yield _Plan(h, len(rows) / total, faces, rows, levels)
        return
    groups = [rows for groups in strata for rows in groups] if parts[0].family in SOFT else drives
    for face in parts[0].faces:
        bands = BANDS if _graded(face) else 1
        count = draws if bands > 1 else 4 * draws
        for rows in groups:
            level = (np.arange(bands)[:, None] + _even(rng, (bands, count))) / bands
            yield _Plan(h, face.share * len(rows) / total, (face,), rows, [level])


def _even(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """One number in each of shape[1] even slots of 0 to 1, shuffled, for each row."""
    slots = rng.permuted(np.tile(np.arange(shape[1]), (shape[0], 1)), axis=1)
    return (slots + rng.random(shape)) / shape[1]


def _graded(face: Variant) -> bool:
    """Whether the fault has degrees at all."""
    return any(one.ends[0] != one.ends[1] for one in face.circuit.values() if not one.own)


def _groups(
    hypotheses: Sequence[str], strata: list[list[np.ndarray]], rng: np.random.Generator, draws: int
) -> Iterator[list[_Plan]]:
    """Plans gathered so that each group is one large batch of furnaces."""
    group: list[_Plan] = []
    size = 0
    for h, name in enumerate(hypotheses):
        for plan in _plans(h, name, strata, rng, draws):
            group.append(plan)
            size += plan.levels[0].size
            if size >= BATCH:
                yield group
                group, size = [], 0
    if group:
        yield group


def _simulate(
    boards: Furnace, group: Sequence[_Plan], probes: Sequence[str], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Readings (N, K) in SI, the board's margin (N,) stretched, and whether it senses at all (N,)."""
    parts = []
    for plan in group:
        n = plan.levels[0].size
        furnace = around(boards, rng.choice(plan.rows, size=n), rng)
        for face, level in zip(plan.faces, plan.levels, strict=True):
            furnace = changed(furnace, face.circuit, level.ravel(), rng.random(n))
        parts.append(furnace)
    all_of_them = joined(parts)
    n = all_of_them.shape[0]
    found = read_many(all_of_them, probes)
    shown = np.stack([found[p] for p in probes], axis=-1)
    margin = stretch(sense_current(all_of_them) / all_of_them.sense_threshold, MARGIN_SCALE) - stretch(
        1.0, MARGIN_SCALE
    )
    return shown, margin, np.where(np.asarray(all_of_them.sense_broken) > 0.5, 0.0, 1.0) * np.ones(n)


def _sum_up(
    shown: np.ndarray,
    margin: np.ndarray,
    senses: np.ndarray,
    shape: tuple[int, int],
    scale: np.ndarray,
    tops: np.ndarray,
) -> _Clouds:
    bands, count = shape
    over = ~(shown <= tops)
    data = np.concatenate([stretch(np.where(over, tops, shown), scale), margin[:, None]], axis=-1).reshape(
        bands, count, -1
    )
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
    return Furnace(
        **{
            f.name: np.concatenate(
                [np.broadcast_to(getattr(one, f.name), (n,)) for one, n in zip(parts, sizes, strict=True)]
            )
            for f in fields(Furnace)
        }
    )
