"""The data of the practice furnace: levels, points, slips and lines."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

from pydantic import model_validator

from flows.circuit.network import POINTS
from flows.faults.catalog import HERE
from grammar.datafile import Strict, load_yaml


class Level(Strict):
    """Which faults are drawn and how grave they are."""

    faults: Literal["easy", "single", "pair"]
    severity: tuple[float, float]


class Point(Strict):
    """A place for a test lead. live: dangerous while the supply is on."""

    name: str
    live: bool


class Slip(Strict):
    """A mistake that is stopped and counted. unsafe: what it was, fits after "I stopped you over"."""

    says: str
    unsafe: str
    learn: str


class Lessons(Strict):
    """Format 1 of practice.yaml."""

    format: Literal[1]
    language: Literal["en"]
    levels: dict[str, Level]
    points: dict[str, Point]
    slips: dict[str, Slip]
    lines: dict[str, str]

    @model_validator(mode="after")
    def _complete(self) -> Lessons:
        if set(self.points) != set(POINTS):
            raise ValueError(f"'points' must name each of: {', '.join(POINTS)}")
        return self


@lru_cache
def lessons() -> Lessons:
    """All of it. Raises DataFileError."""
    return load_yaml(HERE / "practice.yaml", Lessons)
