"""The bounds of `rules.yaml`, validated."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from flows.origin import Origin
from grammar.datafile import Strict, load_yaml

Positive = Annotated[float, Field(gt=0)]


class ReadingEase(Strict):
    """How easy a line must be. most: for a grade, where less is easier; least: for an ease, where more is."""

    name: str
    formula: Literal["flesch_kincaid_grade", "fernandez_huerta"]
    most: float | None = None
    least: float | None = None
    source: str

    @model_validator(mode="after")
    def _one_bound(self) -> ReadingEase:
        if (self.most is None) == (self.least is None):
            raise ValueError("give 'most' or 'least', one of the two")
        return self

    def holds(self, value: float) -> bool:
        return value <= self.most if self.most is not None else value >= (self.least or 0.0)


class Terms(Strict):
    """Words of the trade, which the measure takes for `neutral`. Lower case, each in all its endings."""

    neutral: str
    origin: Origin
    source: str
    words: Annotated[list[str], Field(min_length=1)]


class Length(Strict):
    """Seconds. entry: all that is spoken when a step is first entered. line: one sentence."""

    entry: Positive
    line: Positive


class Rules(Strict):
    """All bounds. reading, terms: by language. apart: distance as in grammar.phonetics."""

    format: Literal[1]
    reading: dict[str, ReadingEase]
    terms: dict[str, Terms] = {}
    length: Length
    apart: Positive


@lru_cache
def rules() -> Rules:
    """The bounds that ship. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("rules.yaml"), Rules)
