"""What a language file may hold, field by field; the head of `language/en.yaml` explains it."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from grammar.datafile import Strict
from grammar.shapes import pattern


def _plain(text: str) -> str:
    if not text or text != text.lower() or text != " ".join(text.split()):
        raise ValueError("write it in lower case with single spaces")
    return text


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as error:
        raise ValueError(f"it is no regular expression ({error})") from error
    return text


Said = Annotated[str, AfterValidator(_plain)]
Some = Annotated[list[Said], Field(min_length=1)]
Share = Annotated[float, Field(gt=0, le=1)]


class _Unit(Strict):
    phrases: Some
    also: tuple[Said, ...] = ()
    one: str
    many: str


class _Tag(Strict):
    phrases: Some
    also: tuple[Said, ...] = ()


class _Quantity(Strict):
    name: str


class _Said(Strict):
    phrases: Some
    typed: tuple[Said, ...] = ()


class _Command(_Said):
    always: bool = False
    anywhere: bool = False


class _Option(_Said):
    corrects: bool = False


class _Numbers(Strict):
    classes: dict[str, Annotated[dict[Said, int], Field(min_length=1)]]
    shapes: dict[str, Annotated[list[str], Field(min_length=1)]]
    point: Some
    minus: Some
    half_after: tuple[Said, ...] = ()
    half_alone: tuple[Said, ...] = ()
    alike: dict[Said, Said]
    drop: tuple[Said, ...] = ()
    before_unit: dict[Said, Said] = Field(default_factory=dict)
    say_zero: Said
    decimal_mark: str
    group_mark: str

    @model_validator(mode="after")
    def _needed(self) -> _Numbers:
        for name in ("digit", "spelled", "whole", "before_point"):
            if name not in self.shapes:
                raise ValueError(f"the number shape '{name}' is missing")
        for rows in self.shapes.values():
            for row in rows:
                pattern(row)
        return self


class _Ranges(Strict):
    before: Some
    between: Some


class _Weights(Strict):
    reading: Share
    option: Share
    command: Share
    range: Share
    over_limit: Share
    half: Share
    decimals: Share
    minus: Share
    no_whole: Share
    unit_spoken: Share
    other_unit: Share
    tag_spoken: Share
    lead_in: Share
    correction: Share


class LanguageFile(Strict):
    format: Literal[1]
    key: str
    name: str
    num2words: str
    numbers: _Numbers
    units: dict[str, _Unit]
    tags: dict[str, _Tag]
    quantities: dict[str, _Quantity]
    over_limit: _Said
    ranges: _Ranges
    lead_ins: list[Said]
    weak: list[Said] = Field(default_factory=list)
    commands: dict[str, _Command]
    options: dict[str, _Option]
    replace: dict[Said, Said]
    pronunciations: dict[Said, str]
    letters: list[tuple[Annotated[str, AfterValidator(_pattern)], str]] = Field(default_factory=list)
    weights: _Weights

    @model_validator(mode="after")
    def _once(self) -> LanguageFile:
        owners: dict[str, str] = {}
        for id, one in [*self.commands.items(), *self.options.items()]:
            for text in [*one.phrases, *one.typed]:
                if owners.setdefault(text, id) != id:
                    raise ValueError(f"the phrase '{text}' means both '{owners[text]}' and '{id}'")
        return self
