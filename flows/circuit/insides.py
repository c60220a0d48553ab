"""Healthy furnaces of a family whose board nobody has opened.

A maker prints the rod's voltage, the healthy flame current and the least current
that proves the flame. The board's source resistance, blocking capacitor and sense
resistor and the flame's law are not printed: they are drawn wide
(insides.yaml), and every draw is then made to show what is printed, within its
tolerance. What cannot show it is thrown away, so the parts come out correlated.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from flows.circuit.furnace import Furnace
from flows.circuit.nominal import Spread, nominal, spreads
from flows.circuit.readings import flame_current, volts
from flows.errors import CalculationError
from flows.judge.profiles import Equipment, Meter
from flows.origin import Origin
from grammar.datafile import Strict, load_yaml

DATA = Path(__file__).with_name("insides.yaml")
Positive = Annotated[float, Field(gt=0)]
Factor = Annotated[float, Field(gt=1)]
GRID = 48
"""Flame resistances tried between the least and the most."""
LEAST_FLAME, MOST_FLAME = 3e5, 3e9
"""Ω."""


class Unknown(Strict):
    """A part drawn log-normally. middle: SI. factor: one standard deviation multiplies or divides by it."""

    middle: Positive
    factor: Factor
    origin: Origin
    source: str


class Printed(Strict):
    """The tolerance of a printed figure, as a factor of one standard deviation."""

    factor: Factor
    origin: Origin
    source: str


class Drive(Strict):
    """share: of boards that are built that way."""

    share: Annotated[float, Field(gt=0, lt=1)]
    origin: Origin
    source: str


class Wider(Strict):
    """A relative standard deviation in place of the one in spread.yaml."""

    relative: Annotated[float, Field(gt=0, le=2)]
    origin: Origin
    source: str


class InsidesFile(Strict):
    """Format 1 of insides.yaml."""

    format: Literal[1]
    from_secondary: Drive
    common_at_cabinet: Drive
    unknown: dict[Literal["rod_source_ohms", "rod_capacitor", "sense_ohms", "flame_ratio"], Unknown]
    printed: dict[Literal["rod_volts", "flame_current", "sense_threshold"], Printed]
    wider: dict[str, Wider]

    @model_validator(mode="after")
    def _known(self) -> InsidesFile:
        if unknown := sorted(set(self.wider) - set(spreads())):
            raise ValueError(f"'{unknown[0]}' under 'wider' is not in spread.yaml")
        return self


@lru_cache
def spread_of_a_visit() -> dict[str, Spread]:
    """spread.yaml with the wider figures in it."""
    wider = widths().wider
    return {
        name: one.model_copy(update={"relative": wider[name].relative}) if name in wider else one
        for name, one in spreads().items()
    }


@lru_cache
def widths() -> InsidesFile:
    """The widths that ship. Raises DataFileError."""
    return load_yaml(DATA, InsidesFile)


@dataclass(frozen=True)
class Insides:
    """n boards and flames, each (n,): 0 or 1 twice, Ω, F, Ω, reverse over forward; and what the healthy furnace
    shows: V, A, A."""

    rod_from_secondary: np.ndarray
    common_at_cabinet: np.ndarray
    rod_source_ohms: np.ndarray
    rod_capacitor: np.ndarray
    sense_ohms: np.ndarray
    flame_ratio: np.ndarray
    rod_volts: np.ndarray
    flame_current: np.ndarray
    sense_threshold: np.ndarray

    def take(self, rows: np.ndarray) -> Insides:
        """Only those at `rows`."""
        return Insides(**{one.name: getattr(self, one.name)[rows] for one in fields(self)})


def draw(equipment: Equipment, rng: np.random.Generator, n: int, table: InsidesFile | None = None) -> Insides:
    """n boards and flames from the wide priors, and printed figures within their tolerance."""
    book = table or widths()
    middle = {
        "rod_volts": equipment.limit("rod_nominal").value,
        "flame_current": equipment.circuit.flame_current if equipment.circuit else 0.0,
        "sense_threshold": equipment.limit("flame_minimum").value,
    }
    drawn: dict[str, np.ndarray] = {
        name: one.middle * one.factor ** rng.standard_normal(n) for name, one in book.unknown.items()
    }
    drawn |= {name: middle[name] * one.factor ** rng.standard_normal(n) for name, one in book.printed.items()}
    drawn["rod_from_secondary"] = (rng.random(n) < book.from_secondary.share).astype(float)
    drawn["common_at_cabinet"] = (rng.random(n) < book.common_at_cabinet.share).astype(float)
    drawn["flame_ratio"] = np.maximum(drawn["flame_ratio"], 1.5)
    return Insides(**drawn)


def furnaces(equipment: Equipment, meter: Meter, insides: Insides) -> Furnace:
    """Healthy furnaces with those insides that show what is printed; parameters of shape (m,), m <= n.

    Insides that cannot show it are left out. Raises CalculationError when none can.
    """
    base, kept = _fitted(equipment, meter, insides)
    if not kept.any():
        raise CalculationError(
            f"No board can show what is printed of '{equipment.id}'.", "Check its rod voltage and flame current."
        )
    rows = np.flatnonzero(kept)
    changes = {one.name: value[rows] for one in fields(Furnace) if np.shape(value := getattr(base, one.name))}
    return replace(base, **changes)


def unknown_boards(equipment: Equipment, meter: Meter, rng: np.random.Generator, n: int) -> Furnace:
    """At least n healthy furnaces with insides from the wide priors, all showing what is printed. Raises
    CalculationError."""
    return furnaces(equipment, meter, draw(equipment, rng, 2 * n))


def _fitted(equipment: Equipment, meter: Meter, insides: Insides) -> tuple[Furnace, np.ndarray]:
    plain = replace(
        nominal(equipment, meter),
        rod_from_secondary=insides.rod_from_secondary,
        common_at_cabinet=insides.common_at_cabinet,
        rod_source_ohms=insides.rod_source_ohms,
        rod_capacitor=insides.rod_capacitor,
        sense_ohms=insides.sense_ohms,
        sense_threshold=insides.sense_threshold,
    )
    powered = _to_volts(plain, insides.rod_volts)
    forward, kept = _flame(powered, insides)
    return replace(powered, forward_ohms=forward, reverse_ohms=forward * insides.flame_ratio), kept & (
        powered.rod_share < 4.0
    )


def _to_volts(furnace: Furnace, wanted: np.ndarray) -> Furnace:
    """rod_share such that the unplugged rod wire shows `wanted` (n,) volts; linear but for the neutral's drop."""

    def shown(share: np.ndarray) -> np.ndarray:
        return volts(replace(furnace, rod_share=share), "rod_wire_end", "burner", plugged=False)

    low = np.full(wanted.shape, 0.8)
    high = np.full(wanted.shape, 1.2)
    v_low = shown(low)
    for _ in range(4):
        v_high = shown(high)
        slope = (high - low) / np.where(v_high == v_low, np.inf, v_high - v_low)
        low, v_low, high = high, v_high, high + (wanted - v_high) * slope
    return replace(furnace, rod_share=high)


def _flame(furnace: Furnace, insides: Insides) -> tuple[np.ndarray, np.ndarray]:
    """Forward ohms (n,) at which the meter shows the wanted current, and whether there are such."""
    n = len(insides.flame_current)
    grid = np.geomspace(MOST_FLAME, LEAST_FLAME, GRID)
    shown = np.empty((GRID, n))
    for row, ohms in enumerate(grid):
        forward = np.full(n, ohms)
        shown[row] = flame_current(replace(furnace, forward_ohms=forward, reverse_ohms=forward * insides.flame_ratio))
    above = shown >= insides.flame_current
    at = above.argmax(axis=0)
    kept = above.any(axis=0) & (at > 0)
    at = np.maximum(at, 1)
    columns = np.arange(n)
    low, high = np.log(np.maximum(shown[at - 1, columns], 1e-12)), np.log(np.maximum(shown[at, columns], 1e-12))
    part = (np.log(insides.flame_current) - low) / np.where(high == low, 1.0, high - low)
    forward = np.exp(np.log(grid[at - 1]) + part * (np.log(grid[at]) - np.log(grid[at - 1])))
    return forward, kept


def stiffness(furnace: Furnace) -> np.ndarray:
    """Ω behind the rod's terminal at line frequency: what decides how far a leak or a coat pulls the readings."""
    reactance = 1 / (2 * np.pi * furnace.frequency * np.asarray(furnace.rod_capacitor))
    return np.hypot(furnace.rod_source_ohms, reactance)
