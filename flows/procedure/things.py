"""What a technician moves during a visit: dial, jack, leads, rod wire, jumper, covers, and where each may stand."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from grammar.datafile import Strict, load_yaml

FILE = Path(__file__).with_name("things.yaml")
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
ANY = "any"
MovedAt = Literal["any", "off", "dead"]


class Kind(Strict):
    """One thing. positions: all its places. as_found: where an end may find it.

    twice: positions that are believed only when said a second time in other
    words. moved_at: the power that a step must need to ask for the move.
    touch: the move puts a hand inside. told: how it is said where it stands,
    for a thing of a procedure's own; the glossary has the others.
    """

    positions: Annotated[list[Name], Field(min_length=2)]
    as_found: Annotated[list[Name], Field(min_length=1)]
    twice: list[Name] = []
    moved_at: MovedAt
    touch: bool = False
    told: dict[Name, str] = {}

    @model_validator(mode="after")
    def _known(self) -> Kind:
        wrong = {*self.as_found, *self.twice, *self.told} - set(self.positions)
        if wrong:
            raise ValueError(f"there is no position {', '.join(sorted(wrong))}")
        if ANY in self.positions:
            raise ValueError(f"'{ANY}' is no position")
        return self


class Catalogue(Strict):
    """The things that every procedure may name, and what a reading needs."""

    format: Literal[1]
    things: dict[Name, Kind]
    readings: dict[Name, dict[Name, Name]]


class Thing(Strict):
    """A thing as a procedure uses it. begin: where it stands when the visit begins.

    A thing of the catalogue takes everything else from there; one of the
    procedure's own gives positions, as_found, moved_at, the words one of
    which a sentence that moves it must hold, and what is told of it where it
    is not as found ("the fuse is out").
    """

    begin: Name
    positions: list[Name] | None = None
    as_found: list[Name] | None = None
    twice: list[Name] = []
    moved_at: MovedAt | None = None
    words: list[str] = []
    told: dict[Name, str] = {}


@lru_cache
def catalogue() -> Catalogue:
    """The shipped things. Raises DataFileError."""
    return load_yaml(FILE, Catalogue)


def kinds_of(things: Mapping[str, Thing]) -> dict[str, Kind]:
    """The kind of each thing that a procedure names, in the catalogue's order and then its own. Raises ValueError."""
    shipped = catalogue().things
    found: dict[str, Kind] = {name: kind for name, kind in shipped.items() if name in things}
    for name, thing in things.items():
        own = (thing.positions, thing.as_found, thing.moved_at)
        if name in shipped:
            if any(part is not None for part in own) or thing.twice or thing.words or thing.told:
                raise ValueError(f"'{name}' is known to every procedure: give only where it begins")
        elif thing.positions is None or thing.as_found is None or thing.moved_at is None or not thing.words:
            raise ValueError(f"'{name}' is this procedure's own: give its positions, as_found, moved_at and words")
        else:
            # What may be moved at any power lies outside the cabinet: a thermostat, a valve at the pipe.
            found[name] = Kind(
                positions=thing.positions,
                as_found=thing.as_found,
                twice=thing.twice,
                moved_at=thing.moved_at,
                touch=thing.moved_at != "any",
                told=thing.told,
            )
        if thing.begin not in found[name].positions:
            raise ValueError(f"'{name}' cannot begin at '{thing.begin}'; it has {', '.join(found[name].positions)}")
    return found
