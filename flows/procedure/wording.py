"""Sentences as data, and numbers as words in them."""

from __future__ import annotations

import math
import string
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from grammar import units
from grammar.datafile import Strict, load_yaml
from grammar.language import language as load_language
from grammar.numbers import digits_spoken, say_digits_after
from grammar.scope import Option

if TYPE_CHECKING:
    from flows.procedure.schema import Answer

HERE = Path(__file__).parents[1] / "spoken"

LINES: dict[str, frozenset[str]] = {
    name: frozenset(fields.split())
    for name, fields in {
        "readback": "digits",
        "taken_as": "digits",
        "good": "",
        "taken_back": "title",
        "taken_back_left": "title",
        "said_for": "title reading",
        "progress": "done left minutes",
        "level_learner": "",
        "level_usual": "",
        "level_brief": "",
        "offer_shorter": "",
        "readback_range": "low high",
        "readback_over": "",
        "readback_answer": "phrase",
        "tell_again": "",
        "digits_please": "first second",
        "which": "first second",
        "miss_again": "",
        "miss_digits": "",
        "miss_whole": "",
        "hard_to_hear": "",
        "miss_answer": "phrases",
        "miss_away": "",
        "miss_key": "",
        "out_of_range": "spoken",
        "wrong_unit": "said asked",
        "too_fine": "spoken",
        "not_open": "",
        "no_leads": "",
        "no_why": "",
        "nothing_yet": "",
        "so_far": "list",
        "back_refused": "",
        "back": "title",
        "change_refused": "",
        "change": "title",
        "slower": "",
        "paused": "",
        "back_again": "",
        "memo_start": "",
        "memo_end": "",
        "help": "",
        "stop": "",
        "stop_way_out": "",
        "reprove": "",
        "skipped": "",
        "offer": "phrases",
        "fix_now": "",
        "test_later": "",
        "last_digit": "",
        "not_done": "list",
        "miss_fit": "wanted",
        "want_reading": "unit",
        "want_phrase": "phrases",
        "want_command": "",
        "missing": "title",
        "alarm": "",
        "alarm_again": "",
        "alarm_check": "",
        "welcome_back": "title",
        "as_it_stands": "list",
        "all_good": "",
        "all_sound": "",
        "all_sound_short": "",
        "one_rod": "",
        "some_skipped": "list",
    }.items()
}
"""Every line the dialogue speaks and the fields it may fill in."""

OPTIONS = ("carry_on", "take_again", "fix_now", "take_test", "skip", "false_alarm", "air_clear")


class Spoken(Strict):
    """The dialogue's own sentences in one language.

    options: phrases of the answers that every procedure shares; typed: more of them, from the keyboard only.
    said_for: what stands before the title of a check whose reading is asked for. keyboard: lines that are said
    otherwise to somebody who types.
    """

    format: Literal[1]
    language: str
    options: dict[str, list[str]]
    typed: dict[str, list[str]] = {}
    said_for: str
    keyboard: dict[str, str] = {}
    ladder: Annotated[list[str], Field(min_length=4, max_length=4)]
    ladder_words: Annotated[list[str], Field(min_length=1, max_length=4)]
    lines: dict[str, str]

    @model_validator(mode="after")
    def _whole(self) -> Spoken:
        missing = sorted((LINES.keys() - self.lines.keys()) | (set(OPTIONS) - self.options.keys()))
        if missing:
            raise ValueError(f"these are missing: {', '.join(missing)}")
        unknown = sorted(self.lines.keys() - LINES.keys())
        if unknown:
            raise ValueError(f"these lines are never spoken: {', '.join(unknown)}")
        if unknown := sorted((self.keyboard.keys() - LINES.keys()) | (self.typed.keys() - set(OPTIONS))):
            raise ValueError(f"these are never spoken or answered: {', '.join(unknown)}")
        for name, text in (*self.lines.items(), *self.keyboard.items()):
            fields = {field for _, field, _, _ in string.Formatter().parse(text) if field is not None}
            if fields - LINES[name]:
                raise ValueError(f"the line '{name}' has no {', '.join(sorted(fields - LINES[name]))} to fill in")
        if {*self.ladder, *self.ladder_words} - LINES.keys():
            raise ValueError("the ladder names a line that does not exist")
        return self

    def option(self, name: str) -> Option:
        return Option(name, tuple(self.options[name]), tuple(self.typed.get(name, ())))

    def for_keyboard(self) -> Spoken:
        """The same with the lines that are said otherwise to somebody who types."""
        return self.model_copy(update={"lines": {**self.lines, **self.keyboard}})

    def ladder_for(self, silent: bool, typed: bool) -> list[str]:
        """The ways of asking again: for what was not heard, or for words that do not fit. A keyboard is always
        heard."""
        return self.ladder if silent and not typed else self.ladder_words

    def line(self, name: str, **fields: str) -> str:
        return self.lines[name].format(**fields)


@lru_cache
def spoken_lines(language: str) -> Spoken:
    """The dialogue's sentences in `language`. Raises DataFileError."""
    return load_yaml(HERE / f"{language}.yaml", Spoken)


SHOWN: dict[str, tuple[tuple[float, str, int], ...]] = {
    "ac_volts": ((0.0, "volt", 1),),
    "dc_volts": ((0.0, "volt", 1),),
    "ohms": ((0.0, "ohm", 2), (1e3, "kilohm", 1), (1e6, "megohm", 1)),
    "dc_amps": ((0.0, "microamp", 1), (1e-3, "milliamp", 1), (1.0, "amp", 1)),
    "ac_amps": ((0.0, "milliamp", 0), (0.1, "amp", 2)),
    "hertz": ((0.0, "hertz", 1),),
}
"""From which size (SI) a quantity is spoken in which unit, with how many decimals."""


def quantity_words(value: float, quantity: str, language: str) -> str:
    """A value (SI) in words with its unit, rounded as a person would: "ninety two point six volts"."""
    if math.isinf(value):
        return load_language(language).over_limit.spoken[0]
    unit, decimals = next((unit, places) for least, unit, places in reversed(SHOWN[quantity]) if abs(value) >= least)
    text = f"{units.from_si(value, unit):.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return _with_unit(say_digits_after(text, language), unit, text, language)


def digit_words(digits: str, unit: str, language: str) -> str:
    """Digits as shown, one by one, with the unit: "nine two point six volts"."""
    return _with_unit(digits_spoken(digits, language), unit, digits, language)


def _with_unit(number: str, unit: str, digits: str, language: str) -> str:
    """A whole number may end in another form before its unit ("veintiún voltios")."""
    rest, _, last = number.rpartition(" ")
    if "." not in digits:
        last = load_language(language).numbers.before_unit.get(last, last)
    return f"{rest} {last} {units.spoken(unit, digits, language)}".lstrip()


def answer_option(name: str, answer: Answer, language: str) -> Option:
    """A step's answer as it can be heard: its phrases, and the language's own where it only says that one is ready."""
    if not answer.go_ahead:
        return Option(name, tuple(answer.phrases))
    ready = load_language(language)
    phrases = tuple(dict.fromkeys((*answer.phrases, *ready.option("ready").phrases)))
    agreed = (*ready.typed_options["ready"], *ready.option("yes").phrases, *ready.typed_options["yes"])
    return Option(name, phrases, agreed)


def unit_words(unit: str, language: str) -> str:
    """The unit's name, in the plural."""
    return units.spoken(unit, 2, language)


def fill(text: str, numbers: Mapping[str, float], quantity: str, language: str) -> str:
    """A procedure's line with its {numbers} as words."""
    used = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    return text.format(**{name: quantity_words(numbers[name], quantity, language) for name in used})
