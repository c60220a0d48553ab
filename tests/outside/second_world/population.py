"""Furnaces by the dozen: a design, a sound furnace's spread, faults by the trade's rates, and what the trade adds.

Second furnace world. Whoever builds or tunes the product may not read this module; with `part="tune"` they may be
given its furnaces by whoever judges. Deterministic: the same part, seed and place in the row give the same furnace.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from tests.outside.second_world.designs import SPLIT, Design, Sheet, designs
from tests.outside.second_world.draws import SOUND, Fault, applied, draw, faults, sound_rules
from tests.outside.second_world.fire import burn, cleaned, lights, proves
from tests.outside.second_world.meter import ProbeAnswer
from tests.outside.second_world.plant import Plant
from tests.outside.second_world.probes import PROBES, read

TRIES = 40
NEAR = 1.4


@dataclass(frozen=True)
class Construction:
    """What a technician sees at a glance. `rod`: "separate" or "combined" (one rod for spark and sense)."""

    rod: str


@dataclass(frozen=True, eq=False)
class Furnace:
    """One call. `truth`: fault ids, ("sound",) or one or two of `truth_classes`; `plant` is hidden from whoever is
    judged."""

    part: str
    number: int
    seed: tuple[int, ...]
    truth: tuple[str, ...]
    sheet: Sheet
    construction: Construction
    plant: Plant = field(repr=False)
    cleaned_plant: Plant = field(repr=False)
    ohms_while_warm: bool = False

    @cached_property
    def lights(self) -> bool:
        """Whether a flame comes at all."""
        return lights(self.plant)

    @cached_property
    def proves(self) -> bool:
        """Whether the board keeps the gas on."""
        return proves(self.plant)

    @cached_property
    def readings(self) -> Readings:
        """All readings of this furnace, made when asked for; deterministic."""
        return Readings(self)


class Readings:
    """A mapping from probe id to reading. Each probe has a random stream of its own, so order does not matter."""

    def __init__(self, furnace: Furnace) -> None:
        self._furnace = furnace
        self._made: dict[str, ProbeAnswer] = {}

    def __getitem__(self, probe: str) -> ProbeAnswer:
        if probe not in self._made:
            number = list(PROBES).index(probe)
            self._made[probe] = read(self._furnace, probe, np.random.default_rng((*self._furnace.seed, 1, number)))
        return self._made[probe]

    def __iter__(self) -> Iterator[str]:
        return iter(PROBES)

    def all(self) -> dict[str, ProbeAnswer]:
        """Every probe's reading."""
        return {probe: self[probe] for probe in self}


def furnaces(
    part: str, n: int, seed: int, trade_effects: bool = True, *, calls: bool = True, only: tuple[str, ...] | None = None
) -> Iterator[Furnace]:
    """`n` furnaces of "tune" or "test". `trade_effects`: pipe bonds, pairs, warm resistances, plugs mended by
    replugging.
    `calls`: fault draws that the fire does not show are mostly drawn anew, board and all, as nobody is called for
    them, so the boards that bear a fault badly come up with it oftener. `only`: these ids always. Raises ValueError
    for unknown ids."""
    boards = designs(part)
    if only is not None and (unknown := set(only) - set(faults()) - {SOUND}):
        raise ValueError(f"no such faults: {sorted(unknown)}; see truth_classes()")
    for number in range(n):
        key = (seed, list(SPLIT).index(part), number)
        yield _furnace(part, number, key, boards, trade_effects, calls, only)


def _furnace(
    part: str,
    number: int,
    key: tuple[int, int, int],
    boards: tuple[Design, ...],
    trade: bool,
    calls: bool,
    only: tuple[str, ...] | None,
) -> Furnace:
    rng = np.random.default_rng((*key, 0))
    truth = only or _truth(rng, trade)
    for _ in range(TRIES):
        design = boards[int(rng.integers(len(boards)))]
        construction = Construction("combined" if rng.random() < design.combined_rod else "separate")
        sound = sound_plant(design, construction, trade, rng)
        plant = with_faults(sound, truth, rng)
        if not calls or truth == (SOUND,) or symptom(plant, design.sheet):
            break
        if rng.random() < sound_rules()["trade"]["kept_without_symptom"]:
            break
    rules = sound_rules()["trade"]
    clean = cleaned(plant, draw(rules["residue_ohms"], rng))
    if trade and rng.random() < rules["replug_helps"]:
        clean = Plant(**(vars(clean) | {"r_plug": min(clean.r_plug, 0.3), "r_plug_warm": None}))
    warm = bool(trade and rng.random() < rules["ohms_while_warm"])
    return Furnace(part, number, key, truth, design.sheet, construction, plant, clean, warm)


def sound_plant(design: Design, construction: Construction, trade: bool, rng: np.random.Generator) -> Plant:
    """A sound furnace of the design."""
    rules = sound_rules()
    plant = applied(Plant(**design.board), rules["set"], rules["scale"], rng)
    if construction.rod == "combined":
        plant = applied(plant, rules["combined_rod"], {}, rng)
    if trade:
        bonded = rng.random() < rules["trade"]["pipe_bonds"]
        pipe = {"r_pipe": rules["trade"]["pipe_ohms" if bonded else "pipe_else"]}
        plant = applied(plant, pipe | {"r_burner_pipe": rules["trade"]["burner_pipe_ohms"]}, {}, rng)
    return plant


def with_faults(plant: Plant, truth: tuple[str, ...], rng: np.random.Generator) -> Plant:
    """The plant with the faults put in, each by a drawn severity."""
    for name in truth:
        if name != SOUND:
            plant = applied(plant, faults()[name].set, faults()[name].scale, rng)
    return plant


def symptom(plant: Plant, sheet: Sheet) -> bool:
    """Whether somebody is called: the flame is not proved, or its current is so near the printed minimum that it
    drops at times."""
    return not proves(plant) or burn(plant.warm()).amperes < NEAR * sheet.minimum


def _truth(rng: np.random.Generator, trade: bool) -> tuple[str, ...]:
    rules, kinds = sound_rules(), list(faults().values())
    if rng.random() < rules["sound_share"]:
        return (SOUND,)
    first = _pick(kinds, rng)
    if not trade or rng.random() >= rules["trade"]["pairs"]:
        return (first.id,)
    second = _pick([kind for kind in kinds if kind.place != first.place], rng)
    return tuple(kind.id for kind in kinds if kind in (first, second))


def _pick(kinds: list[Fault], rng: np.random.Generator) -> Fault:
    rates = np.array([kind.rate for kind in kinds])
    return kinds[int(rng.choice(len(kinds), p=rates / rates.sum()))]
