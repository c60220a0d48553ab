"""The palette: one file of colours for the desk, the report, the pictures and the plots."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from grammar.datafile import Strict, load_yaml

FILE = Path(__file__).with_name("colours.yaml")
Colour = Annotated[str, Field(pattern=r"^#[0-9a-f]{6}$")]
CHART = ("f0", "f1", "f2", "f3", "f4", "f5")
"""Names for the parts of one chart, in the order in which they are taken."""


class Graphics(Strict):
    """seen: what must be told from `ground` to understand a picture."""

    ground: str
    seen: list[str]


class Palette(Strict):
    """Format 1 of colours.yaml. written_on: text colour -> the grounds that it is written on."""

    format: Literal[1]
    colours: dict[str, Colour]
    written_on: dict[str, list[str]]
    graphics: Graphics

    @model_validator(mode="after")
    def _known(self) -> Palette:
        used = {*self.written_on, *(ground for grounds in self.written_on.values() for ground in grounds)}
        if unknown := sorted((used | {self.graphics.ground, *self.graphics.seen}) - set(self.colours)):
            raise ValueError(f"there is no colour called '{unknown[0]}'")
        return self


@lru_cache
def palette() -> Palette:
    """The palette that ships. Raises DataFileError."""
    return load_yaml(FILE, Palette)


def colour(name: str) -> str:
    """A colour by its name, as "#rrggbb". Raises KeyError."""
    return palette().colours[name]


def css() -> str:
    """The palette as custom properties for a style sheet."""
    return ":root { " + " ".join(f"--{name}: {value};" for name, value in palette().colours.items()) + " }\n"


def filled(style: str) -> str:
    """A style sheet with each var(--NAME) as its value, for a page that stands alone. Raises KeyError."""
    return re.sub(r"var\(--([a-z0-9-]+)\)", lambda found: colour(found[1]), style)
