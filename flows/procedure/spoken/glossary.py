"""The words of the trade, one file a language: what each thing, place and unit is called where it is spoken."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from flows.errors import FlowError
from flows.procedure.things import Kind, Name, catalogue
from grammar.datafile import Strict, load_yaml

HERE = Path(__file__).parent
POWER = "power"
POWERS = ("on", "said_off")


def _plain(text: str) -> str:
    if text != " ".join(text.lower().split()) or not text or re.search(r"[^\w' ]", text):
        raise ValueError("write lower-case words with single spaces and no other marks")
    return text


Said = Annotated[str, AfterValidator(_plain)]
Words = Annotated[list[Said], Field(min_length=1)]


class Position(Strict):
    """Where a thing may be. words: what says that it goes there. orders: verbs that send it there.

    told: a short sentence part that says that it stands there now.
    """

    words: Words
    orders: list[Said] = []
    told: str | None = None


class ThingWords(Strict):
    """words: the names of the thing. hand: whether it is moved by hand."""

    words: Words
    positions: dict[str, Position]
    hand: bool = True

    @model_validator(mode="after")
    def _one_position_each(self) -> ThingWords:
        owners: dict[str, str] = {}
        for position, one in self.positions.items():
            for word in one.words:
                if owners.setdefault(word, position) != position:
                    raise ValueError(f"'{word}' says both '{owners[word]}' and '{position}'")
        return self


class Glossary(Strict):
    """All words of one language. See the head of `glossary.en.yaml`."""

    format: Literal[1]
    language: str
    prompts: Words
    spoken_prompts: Words
    written: Said
    openers: list[Said]
    joiners: list[Said]
    emergency: Words
    tips_off: Words
    plain: str
    things: dict[str, ThingWords]
    places: dict[Name, Words]
    colours: dict[Name, Words]
    not_units: list[Said]
    forbidden: dict[Said, Said]
    only_with: dict[Said, Words]

    @model_validator(mode="after")
    def _whole(self) -> Glossary:
        wanted = {POWER: POWERS, **{name: tuple(kind.positions) for name, kind in catalogue().things.items()}}
        if missing := sorted(wanted.keys() ^ self.things.keys()):
            raise ValueError(
                f"'things' must name those of things.yaml and '{POWER}', and no others: {', '.join(missing)}"
            )
        for name, places in wanted.items():
            if wrong := sorted(set(places) ^ self.things[name].positions.keys()):
                raise ValueError(f"'{name}' must have the positions {', '.join(places)}: look at {', '.join(wrong)}")
        for name, kind in catalogue().things.items():
            for place in set(kind.positions) - set(kind.as_found):
                if self.things[name].positions[place].told is None:
                    raise ValueError(f"nothing tells that '{name}' stands at '{place}': give it 'told'")
        return self

    @model_validator(mode="after")
    def _one_word_one_thing(self) -> Glossary:
        owners: dict[str, str] = {}
        for owner, words in self._names():
            for word in words:
                if owners.setdefault(word, owner) != owner and not {owner, owners[word]} <= {"leads", "red_jack"}:
                    raise ValueError(f"'{word}' stands for both '{owners[word]}' and '{owner}'")
                if word in self.forbidden:
                    raise ValueError(f"'{word}' stands for '{owner}' and is forbidden")
        for wrong, right in self.forbidden.items():
            if right in self.forbidden:
                raise ValueError(f"'{right}' is given in place of '{wrong}' and is forbidden itself")
        return self

    def _names(self) -> Iterator[tuple[str, list[str]]]:
        """Every thing and place with its names; the red lead names the jack that it sits in, and is a lead.

        A place that is a thing as well (the burner, the rod wire) goes by the thing's name.
        """
        yield from ((name, one.words) for name, one in self.things.items())
        named = {word for one in self.things.values() for word in one.words}
        yield from (
            (f"place {name}", [word for word in words if word not in named]) for name, words in self.places.items()
        )


@lru_cache
def glossary(language: str) -> Glossary:
    """The words of `language`. Raises FlowError where nobody wrote them, DataFileError."""
    path = HERE / f"glossary.{language}.yaml"
    if not path.is_file():
        remedy = f"Write {path.name} beside glossary.en.yaml."
        raise FlowError(f"There is no glossary of the language '{language}'.", remedy)
    return load_glossary(path)


def load_glossary(path: Path) -> Glossary:
    """A glossary from any file, not cached. Raises DataFileError."""
    return load_yaml(path, Glossary)


def stand_words(things: Iterable[tuple[str, str]], kinds: Mapping[str, Kind], language: str) -> list[str]:
    """How what is not as found stands now, in words, in the order of `things` ("the jumper is on R and W").

    things: (thing, position) as in `Session.things`. Raises FlowError, DataFileError.
    """
    words = glossary(language).things
    told = []
    for thing, place in things:
        kind = kinds[thing]
        if place not in kind.as_found:
            text = words[thing].positions[place].told if thing in words else kind.told.get(place)
            told.append(text or f"{thing}: {place}".replace("_", " "))
    return told
