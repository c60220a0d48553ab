"""The figures by which verdicts are made, read from judge.yaml and supplies.yaml."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from flows.errors import CalculationError
from flows.origin import Origin
from grammar.datafile import Strict, load_yaml

HERE = Path(__file__).parent


class Figure(Strict):
    """One figure of the calculations. origin says how far to trust it; source names it."""

    value: Annotated[float, Field(gt=0)]
    unit: str
    origin: Origin
    source: str


class Rules(Strict):
    """Format 1 of judge.yaml."""

    format: Literal[1]
    figures: dict[str, Figure]
    bounds: dict[str, Figure]
    greatest: dict[str, Annotated[float, Field(gt=0)]]
    orders: list[Annotated[list[str], Field(min_length=2)]]

    def figure(self, key: str) -> float:
        """The value of a figure or bound. Raises CalculationError when the file has none."""
        found = self.figures.get(key) or self.bounds.get(key)
        if found is None:
            raise CalculationError(
                f"flows/judge/judge.yaml has no figure '{key}'.", "Put it back under 'figures' or 'bounds'."
            )
        return found.value


class System(Strict):
    """A supply system: nominal volts and hertz, and what may stand at the equipment (V)."""

    volts: Annotated[float, Field(gt=0)]
    hertz: Annotated[float, Field(gt=0)]
    low: float
    good_low: float
    good_high: float
    high: float
    source: str

    @model_validator(mode="after")
    def _rising(self) -> System:
        if not 0 < self.low <= self.good_low < self.volts < self.good_high <= self.high:
            raise ValueError("low, good_low, volts, good_high and high must rise in this order")
        return self


class Systems(Strict):
    """Format 1 of supplies.yaml."""

    format: Literal[1]
    systems: Annotated[list[System], Field(min_length=1)]


@lru_cache
def rules() -> Rules:
    """The rules that ship. Raises DataFileError."""
    return load_yaml(HERE / "judge.yaml", Rules)


def figure(key: str) -> float:
    """The value of one figure or bound of judge.yaml. Raises CalculationError, DataFileError."""
    return rules().figure(key)


@lru_cache
def systems() -> tuple[System, ...]:
    """Every supply system that is known. Raises DataFileError."""
    return tuple(load_yaml(HERE / "supplies.yaml", Systems).systems)
