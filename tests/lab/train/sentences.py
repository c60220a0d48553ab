"""What to say: numbers as people speak them, phrases, and English words at large.

The numbers are drawn here on their own, apart from those that hearing is
measured with (`tests/lab/measure/hearing_spoken.py`), so that no figure is made
on the mixture that a model learnt.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field

from grammar.datafile import Strict, load_yaml
from grammar.language import language
from tests.lab.train import phones

DIGITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
TENS = ["_", "_", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]

LANGUAGE = "en"
ALONE = 0.3
"""Share of the digit strings that are one digit, as a display at rest is read."""

Kind = Literal["numbers", "phrases", "digits", "trade", "words", "rare"]


class Corpus(Strict):
    """The file corpus.yaml; its header explains each key."""

    version: Literal[1]
    shares: dict[Kind, float] = Field(min_length=1)
    units: tuple[str, ...]
    phrases: tuple[str, ...]
    trade_words: tuple[str, ...]
    extra_words: dict[str, str]


@cache
def corpus() -> Corpus:
    """The corpus description. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("corpus.yaml"), Corpus)


@cache
def lexicon() -> dict[str, list[tuple[str, ...]]]:
    """The dictionary, with the language file's and the corpus file's own words added."""
    words = dict(phones.dictionary())
    own = {**corpus().extra_words, **language(LANGUAGE).pronunciations}
    for word, sounds in own.items():
        words[word] = [tuple(sounds.split())]
    return words


@cache
def common_words() -> tuple[tuple[str, ...], np.ndarray]:
    """Dictionary words known to pocketsphinx's language model, and how likely each is.

    The likelihoods are flattened (power 0.6), so that the rarer ones come up too.
    """
    import pocketsphinx

    model_file = Path(pocketsphinx.get_model_path()) / "en-us" / "en-us.lm.bin"
    model = pocketsphinx.NGramModel.readfile(str(model_file))
    words = [word for word in phones.dictionary() if word.replace("'", "").isalpha() and len(word) > 1]
    step = np.log(1.0001)  # pocketsphinx counts likelihoods in powers of 1.0001
    weight = np.exp(np.array([model.prob([word]) for word in words]) * step)
    weight[weight < 1e-12] = 0.0
    keep = np.flatnonzero(weight)
    weight = weight[keep] ** 0.6
    return tuple(words[i] for i in keep), weight / weight.sum()


@cache
def trade_words() -> tuple[str, ...]:
    """The trade's words that have a pronunciation."""
    known = lexicon()
    return tuple(dict.fromkeys(word for line in corpus().trade_words for word in line.split() if word in known))


@cache
def all_words() -> tuple[str, ...]:
    """Every dictionary word written with letters alone."""
    return tuple(word for word in phones.dictionary() if word.isalpha() and len(word) > 2)


@cache
def units() -> tuple[str, ...]:
    """Units and their tags ("ac volts") as they may be spoken."""
    words = language(LANGUAGE)
    plain = [phrase for unit in words.units.values() for phrase in (*unit.phrases, *unit.also)]
    tags = [phrase for said in words.tags.values() for phrase in (*said.phrases, *said.also)]
    return tuple(
        dict.fromkeys([*plain, *(f"{tag} volts" for tag in tags), *(f"volts {tag}" for tag in tags), *corpus().units])
    )


@cache
def phrases() -> tuple[str, ...]:
    """Every command, answer and lead-in of the language file, and the corpus file's own."""
    words = language(LANGUAGE)
    said = [
        *words.over_limit.spoken,
        *words.over_limit.typed,
        *words.lead_ins,
        *words.ranges.before,
        *words.ranges.between,
    ]
    for command in words.commands.values():
        said += [*command.spoken, *command.typed]
    for id, option in words.options.items():
        said += [*option.phrases, *words.typed_options[id]]
    known = lexicon()
    return tuple(
        one for one in dict.fromkeys([*said, *corpus().phrases]) if one and all(word in known for word in one.split())
    )


@cache
def number_words() -> tuple[str, ...]:
    """Every word that numbers are made of, the language file's and ours."""
    words = language(LANGUAGE).numbers
    own = [word for table in words.shapes.classes.values() for word in table]
    extra = ["oh", "hundred", "thousand", "a", "and", "half"]
    return tuple(dict.fromkeys([*DIGITS, *TEENS, *TENS[2:], *extra, *own, *words.point, *words.minus]))


def whole(number: int, rng: np.random.Generator) -> str:
    """0 to 9999 in words, one of the ways people say it."""
    if number < 10:
        return _digit(number, rng)
    if number < 20:
        return TEENS[number - 10]
    if number < 100:
        rest = number % 10
        return TENS[number // 10] + (f" {DIGITS[rest]}" if rest else "")
    if number < 1000:
        hundreds, rest = divmod(number, 100)
        if rest >= 10 and rng.random() < 0.35:
            return f"{DIGITS[hundreds]} {whole(rest, rng)}"
        if rest and rest < 10 and rng.random() < 0.3:
            return f"{DIGITS[hundreds]} oh {DIGITS[rest]}"
        head = "a" if hundreds == 1 and rng.random() < 0.2 else DIGITS[hundreds]
        joint = " and " if rng.random() < 0.3 else " "
        return f"{head} hundred" + (joint + whole(rest, rng) if rest else "")
    thousands, rest = divmod(number, 1000)
    return f"{DIGITS[thousands]} thousand" + (" " + whole(rest, rng) if rest else "")


def _digit(number: int, rng: np.random.Generator) -> str:
    return "oh" if number == 0 and rng.random() < 0.2 else DIGITS[number]


def number(rng: np.random.Generator) -> str:
    """A number as read off a display: whole, with a point, digit by digit, or negative."""
    top = int(rng.choice([10, 10, 30, 100, 150, 300, 1000, 10_000]))
    value = int(rng.integers(0, top))
    spelled = rng.random() < 0.2
    head = " ".join(_digit(int(d), rng) for d in str(value)) if spelled else whole(value, rng)
    if value == 0 and rng.random() < 0.3:
        head = ""
    places = int(rng.choice([0, 1, 1, 2, 3], p=[0.3, 0.25, 0.2, 0.2, 0.05])) if head else int(rng.integers(1, 4))
    if places == 2 and rng.random() < 0.2:
        tail = " point " + whole(int(rng.integers(10, 100)), rng)
    else:
        tail = " point " + " ".join(_digit(int(rng.integers(0, 10)), rng) for _ in range(places)) if places else ""
    sign = rng.choice(["", "minus ", "negative "], p=[0.92, 0.05, 0.03])
    return (sign + head + tail).strip()


def _numbers(rng: np.random.Generator) -> str:
    unit = f" {rng.choice(units())}" if rng.random() < 0.55 else ""
    return number(rng) + unit


def _phrases(rng: np.random.Generator) -> str:
    phrase = str(rng.choice(phrases()))
    roll = rng.random()
    if roll < 0.7:
        return phrase
    return f"{phrase} {number(rng)}" if roll < 0.9 else f"{phrase} {rng.choice(phrases())}"


def _digits(rng: np.random.Generator) -> str:
    count = 1 if rng.random() < ALONE else int(rng.integers(2, 7))
    return " ".join(_digit(int(d), rng) for d in rng.integers(0, 10, count))


def _trade(rng: np.random.Generator) -> str:
    return " ".join(map(str, rng.choice(trade_words(), int(rng.integers(1, 5)))))


def _words(rng: np.random.Generator) -> str:
    words, weight = common_words()
    return " ".join(words[i] for i in rng.choice(len(words), int(rng.integers(1, 7)), p=weight))


def _rare(rng: np.random.Generator) -> str:
    words = all_words()
    return " ".join(words[i] for i in rng.integers(0, len(words), int(rng.integers(1, 5))))


_KINDS: dict[str, Callable[[np.random.Generator], str]] = {
    "numbers": _numbers,
    "phrases": _phrases,
    "digits": _digits,
    "trade": _trade,
    "words": _words,
    "rare": _rare,
}


def sentence(rng: np.random.Generator) -> str:
    """One utterance's words, lower case."""
    shares = corpus().shares
    names = list(shares)
    weight = np.array([shares[name] for name in names])
    return _KINDS[str(rng.choice(names, p=weight / weight.sum()))](rng)


def talk(rng: np.random.Generator) -> str:
    """Two to six common words that mean nothing here."""
    words, weight = common_words()
    return " ".join(words[i] for i in rng.choice(len(words), int(rng.integers(2, 7)), p=weight))


def targets(text: str) -> list[int]:
    """The network outputs that spell `text`, each word in its first pronunciation."""
    words = lexicon()
    return [phones.INDEX[phone] for word in text.split() for phone in words[word][0]]
