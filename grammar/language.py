"""Languages: every phrase and number word, read from `language/<key>.yaml`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

from grammar.datafile import load_yaml
from grammar.errors import DataFileError, GrammarError
from grammar.language_file import LanguageFile
from grammar.scope import Option
from grammar.shapes import Shapes, pattern

HERE = Path(__file__).parent / "language"


@dataclass(frozen=True)
class Phrases:
    """Ways to say one thing. spoken: offered to the recogniser; typed: from the keyboard only."""

    id: str
    spoken: tuple[str, ...]
    typed: tuple[str, ...] = ()


@dataclass(frozen=True)
class UnitWords:
    """phrases: how people say the unit; also: the same sounds in other words, for engines that lack the first.

    one, many: how we say it.
    """

    phrases: tuple[str, ...]
    also: tuple[str, ...]
    one: str
    many: str


@dataclass(frozen=True)
class TagWords:
    """phrases and also as in UnitWords, for "ac" and "dc"."""

    phrases: tuple[str, ...]
    also: tuple[str, ...]


@dataclass(frozen=True)
class Ranges:
    """A display that moves: phrases before the first value and between the two."""

    before: tuple[str, ...]
    between: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class NumberWords:
    """Number words. alike: word to the word it is mistaken for, both ways. before_unit: last word to its form before
    a unit."""

    shapes: Shapes
    point: tuple[str, ...]
    minus: tuple[str, ...]
    half_after: tuple[str, ...]
    half_alone: tuple[str, ...]
    alike: Mapping[str, str]
    drop: tuple[str, ...]
    before_unit: Mapping[str, str]
    say_zero: str
    decimal_mark: str
    group_mark: str


@dataclass(frozen=True, eq=False)
class Language:
    """One language.

    options: the standard answers by id, ready for a Scope. corrects: ids of
    options that a reading may follow. always_open: command ids open in every
    state; anywhere: those taken also amid other words, whatever the scope.
    weak: words that an answer may be heard without.
    letters: how spelling sounds, as (pattern, phones), the first that fits at each
    place; none where a dictionary tells.
    """

    key: str
    name: str
    num2words: str
    numbers: NumberWords
    units: Mapping[str, UnitWords]
    tags: Mapping[str, TagWords]
    quantities: Mapping[str, str]
    over_limit: Phrases
    ranges: Ranges
    lead_ins: tuple[str, ...]
    weak: tuple[str, ...]
    commands: Mapping[str, Phrases]
    options: Mapping[str, Option]
    typed_options: Mapping[str, tuple[str, ...]]
    corrects: frozenset[str]
    always_open: tuple[str, ...]
    anywhere: tuple[str, ...]
    replace: Mapping[str, str]
    pronunciations: Mapping[str, str]
    letters: tuple[tuple[re.Pattern[str], tuple[str, ...]], ...]
    weights: Mapping[str, float]

    def option(self, id: str) -> Option:
        """The standard answer `id`. Raises GrammarError."""
        try:
            return self.options[id]
        except KeyError:
            raise GrammarError(
                f"The language '{self.key}' has no standard answer '{id}'.",
                f"Choose one of: {', '.join(self.options)}.",
            ) from None

    def command(self, id: str) -> Phrases:
        """The command `id`. Raises GrammarError."""
        try:
            return self.commands[id]
        except KeyError:
            raise GrammarError(
                f"The language '{self.key}' has no command '{id}'.", f"Choose one of: {', '.join(self.commands)}."
            ) from None


def languages() -> tuple[str, ...]:
    """The keys of the languages that ship, sorted."""
    return tuple(sorted(path.stem for path in HERE.glob("*.yaml")))


@lru_cache
def language(key: str) -> Language:
    """The language `key`. Raises GrammarError for an unknown one, DataFileError for a bad file."""
    path = HERE / f"{key}.yaml"
    if key not in languages():
        raise GrammarError(f"There is no language '{key}'.", f"Choose one of: {', '.join(languages())}.")
    return load_language(path)


def load_language(path: Path) -> Language:
    """A language from any file, not cached. Raises DataFileError."""
    raw = load_yaml(path, LanguageFile)
    try:
        shapes = Shapes(
            {name: dict(values) for name, values in raw.numbers.classes.items()},
            {name: tuple(pattern(row) for row in rows) for name, rows in raw.numbers.shapes.items()},
        )
    except GrammarError as error:
        raise DataFileError(path, None, error.problem, error.remedy) from error
    pairs = raw.numbers.alike
    numbers = NumberWords(
        shapes=shapes,
        point=tuple(raw.numbers.point),
        minus=tuple(raw.numbers.minus),
        half_after=tuple(raw.numbers.half_after),
        half_alone=tuple(raw.numbers.half_alone),
        alike=MappingProxyType(pairs | {second: first for first, second in pairs.items()}),
        drop=tuple(raw.numbers.drop),
        before_unit=MappingProxyType(dict(raw.numbers.before_unit)),
        say_zero=raw.numbers.say_zero,
        decimal_mark=raw.numbers.decimal_mark,
        group_mark=raw.numbers.group_mark,
    )
    return Language(
        key=raw.key,
        name=raw.name,
        num2words=raw.num2words,
        numbers=numbers,
        units=MappingProxyType(
            {key: UnitWords(tuple(one.phrases), one.also, one.one, one.many) for key, one in raw.units.items()}
        ),
        tags=MappingProxyType({key: TagWords(tuple(one.phrases), one.also) for key, one in raw.tags.items()}),
        quantities=MappingProxyType({key: one.name for key, one in raw.quantities.items()}),
        over_limit=Phrases("over_limit", tuple(raw.over_limit.phrases), tuple(raw.over_limit.typed)),
        ranges=Ranges(tuple(raw.ranges.before), tuple(raw.ranges.between)),
        lead_ins=tuple(raw.lead_ins),
        weak=tuple(raw.weak),
        commands=MappingProxyType(
            {id: Phrases(id, tuple(one.phrases), tuple(one.typed)) for id, one in raw.commands.items()}
        ),
        options=MappingProxyType({id: Option(id, tuple(one.phrases)) for id, one in raw.options.items()}),
        typed_options=MappingProxyType({id: tuple(one.typed) for id, one in raw.options.items()}),
        corrects=frozenset(id for id, one in raw.options.items() if one.corrects),
        always_open=tuple(id for id, one in raw.commands.items() if one.always),
        anywhere=tuple(id for id, one in raw.commands.items() if one.anywhere),
        replace=MappingProxyType(dict(raw.replace)),
        pronunciations=MappingProxyType(dict(raw.pronunciations)),
        letters=tuple((re.compile(written), tuple(sounds.split())) for written, sounds in raw.letters),
        weights=MappingProxyType(raw.weights.model_dump()),
    )
