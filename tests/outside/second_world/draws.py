"""Draws written in YAML, and the trade's faults and spreads read from there.

Second furnace world. Whoever builds or tunes the product may not read this module nor the YAML files beside it nor
fit anything to them; whoever judges may. All rates and spreads are invented, by engineering judgement."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from tests.outside.second_world.plant import Plant

SOUND = "sound"
_HERE = Path(__file__).parent
_PLANT = {field.name for field in fields(Plant)}


@dataclass(frozen=True)
class Fault:
    """One kind of fault: where it sits (`place`), how often (`rate`), what it does to the plant, and what is mended."""

    id: str
    place: str
    rate: float
    plain: str
    mend: str
    set: dict
    scale: dict


def draw(rule: Any, rng: np.random.Generator) -> Any:
    """One value by a rule of the YAML files (their header explains the rules). Raises ValueError for an unknown
    rule."""
    if not isinstance(rule, dict):
        return rule
    ((kind, figures),) = rule.items()
    if kind == "uniform":
        return float(rng.uniform(*figures))
    if kind == "log":
        return float(np.exp(rng.uniform(np.log(figures[0]), np.log(figures[1]))))
    if kind == "normal":
        mean, spread, lowest, highest = figures
        return float(np.clip(rng.normal(mean, spread), lowest, highest))
    if kind == "choice":
        return figures[int(rng.integers(len(figures)))]
    raise ValueError(f"no such draw: {kind!r}; write uniform, log, normal or choice")


def applied(plant: Plant, sets: dict, scales: dict, rng: np.random.Generator) -> Plant:
    """The plant with values set and scaled by drawn amounts."""
    values = {name: draw(rule, rng) for name, rule in sets.items()}
    values |= {name: getattr(plant, name) * draw(rule, rng) for name, rule in scales.items()}
    return Plant(**(vars(plant) | values))


@cache
def faults() -> dict[str, Fault]:
    """Every fault by its id, in the file's order."""
    rows = yaml.safe_load((_HERE / "faults.yaml").read_text(encoding="utf-8"))["faults"]
    found = {}
    for row in rows:
        fault = Fault(**({"set": {}, "scale": {}} | row))
        if unknown := (set(fault.set) | set(fault.scale)) - _PLANT:
            raise ValueError(f"fault {fault.id}: no such value of a furnace: {sorted(unknown)}")
        found[fault.id] = fault
    return found


@cache
def sound_rules() -> dict:
    """The spreads of sound furnaces and the trade's shares, as written in sound.yaml."""
    return yaml.safe_load((_HERE / "sound.yaml").read_text(encoding="utf-8"))


def truth_classes() -> dict[str, str]:
    """What a master technician would say of each id: where it sits and what is mended."""
    sound = "Nothing in supply, board, rod, wire, grounds or flame is wrong; nothing is mended."
    return {SOUND: sound} | {fault.id: fault.mend for fault in faults().values()}
