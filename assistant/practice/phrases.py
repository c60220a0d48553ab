"""What can be said to the practice furnace: phrases as data, and the scopes made of them."""

from __future__ import annotations

import string
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import permutations
from pathlib import Path
from typing import Literal, get_args

from pydantic import model_validator

from flows.circuit.network import POINTS
from flows.faults import catalog
from grammar.datafile import Strict, load_yaml
from grammar.language import language
from grammar.scope import Option, Scope

FILE = Path(__file__).with_name("phrases.yaml")
COMMANDS = ("repeat", "slower", "readings", "help", "stop", "gas")
"""Open commands of the language that mean something here."""
Does = Literal[
    "off", "on", "series", "out", "call", "uncall", "unplug", "plug", "volts_jack", "microamp_jack", "clean", "nothing"
]
Sees = Literal["burner", "flame", "cycle"]
Action = Literal[
    "show",
    "off",
    "breaker",
    "on",
    "heat",
    "series",
    "out",
    "current",
    "watch",
    "leads",
    "outlet",
    "jack",
    "unplug",
    "plug",
    "faults",
    "undo",
    "give_up",
]
LINES: dict[str, frozenset[str]] = {
    name: frozenset(fields.split())
    for name, fields in {
        "begin_one": "",
        "begin_two": "",
        "begin_free": "",
        "begin_guided": "",
        "help": "",
        "heard": "function a b",
        "ac_volts": "",
        "ohms": "",
        "nothing_touched": "",
        "same_point": "",
        "no_reading": "",
        "undone": "",
        "nothing_to_undo": "",
        "faults": "list",
        "so_far": "list",
        "nothing_yet": "",
        "dead": "",
        "confirm": "fault",
        "second": "",
        "again": "",
        "name_it": "",
        "help_answer": "",
        "slower": "",
        "miss_1": "",
        "miss_2": "",
        "miss_2_answer": "",
        "miss_3": "",
        "nothing_to_read": "",
        "think": "",
        "burner_lit": "",
        "burner_out": "",
        "cycle_good": "",
        "cycle_bad": "",
        "gas_ends": "",
        "broken_off": "",
        "no_answer": "truth",
        "readings": "taken fewest",
        "readings_few": "taken fewest",
        "one_reading": "fewest",
        "readings_guided": "taken fewest",
        "one_reading_guided": "fewest",
        "misread": "count",
        "misread_once": "",
        "unseen": "count",
        "unseen_once": "",
        "read_well": "",
        "learn_read": "",
        "learn": "lesson",
    }.items()
}
"""Every line that is said and the fields it may fill in."""


class Ways(Strict):
    """phrases: offered to the recogniser; typed: from the keyboard only."""

    phrases: tuple[str, ...]
    typed: tuple[str, ...] = ()

    def of(self, typed: bool) -> tuple[str, ...]:
        return (*self.phrases, *self.typed) if typed else self.phrases


class Carriers(Strict):
    """Sentences around a test and around an answer. named: an answer where nothing but the fault is asked for."""

    test: Ways
    answer: Ways
    named: Ways


class Guided(Strict):
    """A procedure beside the furnace. sees: step -> what is looked at. does: "step/answer" -> act."""

    sees: dict[str, Sees]
    does: dict[str, Does]


class PracticePhrases(Strict):
    """Format 1 of phrases.yaml."""

    format: Literal[1]
    language: Literal["en"]
    carriers: Carriers
    functions: dict[Literal["ac_volts", "ohms"], Ways]
    points: dict[str, Ways]
    actions: dict[Action, Ways]
    faults: dict[str, Ways]
    guided: dict[str, Guided]
    sees: Ways
    lines: dict[str, str]

    @model_validator(mode="after")
    def _complete(self) -> PracticePhrases:
        if set(self.points) != set(POINTS):
            raise ValueError(f"'points' must name each of: {', '.join(POINTS)}")
        if missing := set(catalog.faults().faults) ^ set(self.faults):
            raise ValueError(f"'faults' and the catalogue of faults differ in: {', '.join(sorted(missing))}")
        if absent := set(get_args(Action)) - set(self.actions):
            raise ValueError(f"'actions' lacks: {', '.join(sorted(absent))}")
        if set(self.lines) != set(LINES):
            raise ValueError(f"'lines' is wrong about: {', '.join(sorted(set(self.lines) ^ set(LINES)))}")
        for name, text in self.lines.items():
            if (
                unknown := {field for _, field, _, _ in string.Formatter().parse(text) if field is not None}
                - LINES[name]
            ):
                raise ValueError(f"the line '{name}' has no {', '.join(sorted(unknown))} to fill in")
        for ways in (self.points, self.functions, self.actions, self.faults):
            owners: dict[str, str] = {}
            for id, one in ways.items():
                for text in one.of(typed=True):
                    if owners.setdefault(text, id) != id:
                        raise ValueError(f"the phrase '{text}' means both '{owners[text]}' and '{id}'")
        return self

    def line(self, name: str, **fields: object) -> str:
        return self.lines[name].format(**fields)


@lru_cache
def phrases() -> PracticePhrases:
    """All of it. Raises DataFileError."""
    return load_yaml(FILE, PracticePhrases)


@lru_cache
def probing_scope(faults: tuple[str, ...], typed: bool) -> Scope:
    """All that can be said while probing. faults: those that may be answered. typed: with what only a keyboard may
    give.

    Ids: "touch:<function>:<a>:<b>", "do:<action>", "answer:<fault>".
    """
    book = phrases()
    actions = [name for name in book.actions if name != "undo" or not typed]
    return Scope(
        "practice/probe",
        None,
        (*_tests(book, typed), *_actions(book, actions, typed), *_answers(book, faults, typed)),
        COMMANDS,
        language=book.language,
    )


@lru_cache
def answering_scope(faults: tuple[str, ...], typed: bool) -> Scope:
    """Naming the fault and nothing else."""
    book = phrases()
    return Scope(
        "practice/answer",
        None,
        (*_answers(book, faults, typed, alone=True), *_actions(book, ("faults", "give_up"), typed)),
        ("repeat", "slower", "help", "stop", "gas"),
        language=book.language,
    )


def confirming_scope() -> Scope:
    """Yes or no."""
    words = language(phrases().language)
    return Scope(
        "practice/confirm",
        None,
        (words.option("yes"), words.option("no")),
        ("repeat", "slower", "stop", "gas"),
        language=words.key,
    )


def slots() -> Iterator[tuple[str, Scope]]:
    """(name, scope of what competes there) for each place in a sentence where one phrase could be taken for another.

    Whole sentences share their carrier words, which tells a recogniser nothing; so the phrases are held
    against each other where they compete: the function, the point, the fault, and what begins a sentence.
    """
    book = phrases()
    yield (
        "functions",
        Scope(
            "practice/functions",
            None,
            tuple(Option(id, one.phrases) for id, one in book.functions.items()),
            (),
            language=book.language,
        ),
    )
    yield (
        "points",
        Scope(
            "practice/points",
            None,
            tuple(Option(id, one.phrases) for id, one in book.points.items()),
            (),
            language=book.language,
        ),
    )
    yield (
        "faults",
        Scope(
            "practice/faults",
            None,
            tuple(Option(id, one.phrases) for id, one in book.faults.items()),
            (),
            language=book.language,
        ),
    )
    yield (
        "actions",
        Scope("practice/actions", None, _actions(book, book.actions, typed=False), COMMANDS, language=book.language),
    )


def _tests(book: PracticePhrases, typed: bool) -> Iterator[Option]:
    for function, dial in book.functions.items():
        for a, b in permutations(book.points, 2):
            yield Option(
                f"touch:{function}:{a}:{b}",
                tuple(
                    _filled(
                        book.carriers.test.of(typed),
                        function=dial.of(typed),
                        a=book.points[a].of(typed),
                        b=book.points[b].of(typed),
                    )
                ),
            )
        # Nobody says one point twice; a recogniser that may hear it does.
        for a in book.points if typed else ():
            same = book.points[a].of(typed)
            yield Option(
                f"touch:{function}:{a}:{a}",
                tuple(_filled(book.carriers.test.of(typed), function=dial.of(typed), a=same, b=same)),
            )


def _actions(book: PracticePhrases, names: Iterable[Action], typed: bool) -> tuple[Option, ...]:
    return tuple(Option(f"do:{name}", book.actions[name].of(typed)) for name in names)


def _answers(book: PracticePhrases, faults: Sequence[str], typed: bool, alone: bool = False) -> tuple[Option, ...]:
    """Naming each fault. alone: where only that is asked for, its bare name is enough; a keyboard may give it
    anywhere."""
    carriers = book.carriers.answer.of(typed) + (book.carriers.named.phrases if alone or typed else ())
    return tuple(
        Option(f"answer:{name}", tuple(_filled(carriers, fault=book.faults[name].of(typed)))) for name in faults
    )


def _filled(patterns: Sequence[str], **slots: Sequence[str]) -> Iterator[str]:
    """Every pattern with every word in every slot."""
    for pattern in patterns:
        texts = [pattern]
        for name, words in slots.items():
            texts = [text.replace(f"{{{name}}}", word) for text in texts for word in words]
        yield from texts
