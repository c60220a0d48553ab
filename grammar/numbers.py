"""Spoken numbers: words to digits and back. The digits keep what was said: "121.0" is not "121"."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from num2words import num2words

from grammar import tree
from grammar.errors import GrammarError
from grammar.language import Language, NumberWords, language


@dataclass(frozen=True)
class SpokenNumber:
    """A number as spoken. digits: as written, "-7.413"; spelled: said digit by digit."""

    digits: str
    spelled: bool

    @property
    def value(self) -> Decimal:
        return Decimal(self.digits)

    @property
    def decimals(self) -> int:
        return places(self.digits)


def places(digits: str) -> int:
    """How many digits stand after the point: 3 for "7.413", 0 for "7"."""
    return len(digits.partition(".")[2])


def read(words: Sequence[str], key: str = "en") -> tuple[SpokenNumber, ...]:
    """Every number that the words can mean, in order of digits: mostly one, none when it is no number."""
    numbers = language(key).numbers
    sign, rest = _sign(tuple(words), numbers)
    found = {SpokenNumber(sign + one.digits, one.spelled) for one in _unsigned(rest, numbers)}
    return tuple(sorted(found, key=lambda one: (one.digits, one.spelled)))


def parse(text: str, key: str = "en") -> SpokenNumber | None:
    """The one number that the text means, or None when it is none or could be several."""
    found = read(text.split(), key)
    return found[0] if len(found) == 1 else None


def mistaken(words: Sequence[str], key: str = "en") -> tuple[SpokenNumber, ...]:
    """The numbers that these words could be misheard for: "one fifteen" gives 150."""
    alike = language(key).numbers.alike
    found: list[SpokenNumber] = []
    for place, word in enumerate(words):
        if word in alike:
            found += read([*words[:place], alike[word], *words[place + 1 :]], key)
    return tuple(found)


def say(value: float, decimals: int = 0, key: str = "en") -> str:
    """A number as words: whole part by num2words, decimals digit by digit. Raises GrammarError for infinity."""
    if value != value or value in (float("inf"), float("-inf")):
        raise GrammarError("A number without end cannot be spoken.", "Say the over-limit phrase instead.")
    return say_digits_after(f"{value:.{decimals}f}", key)


def say_digits_after(digits: str, key: str = "en") -> str:
    """Written digits as words, only the decimals one by one: "47.413" is "forty seven point four one three"."""
    lang = language(key)
    minus, whole, fraction = _split(digits)
    text = num2words(int(whole), lang=lang.num2words)
    for mark in "-,":
        text = text.replace(mark, " ")
    words = [word for word in text.split() if word not in lang.numbers.drop]
    if fraction:
        words += [lang.numbers.point[0], *_spell(fraction, lang)]
    return " ".join([lang.numbers.minus[0], *words] if minus else words)


def digits_spoken(digits: str, key: str = "en") -> str:
    """Every digit by itself: "47.413" is "four seven point four one three". Raises GrammarError when it is no
    number."""
    lang = language(key)
    minus, whole, fraction = _split(digits)
    words = _spell(whole, lang)
    if fraction:
        words += [lang.numbers.point[0], *_spell(fraction, lang)]
    return " ".join([lang.numbers.minus[0], *words] if minus else words)


def ways_to_say(digits: str, key: str = "en") -> list[str]:
    """Every way to say written digits ("7.413"), sorted. Raises GrammarError when they are no number."""
    numbers = language(key).numbers
    minus, whole, fraction = _split(digits)
    heads = [" ".join(words) for words in _every(numbers, "whole", int(whole))]
    ways = set(heads)
    if fraction:
        tails = [""]
        for digit in fraction:
            tails = [f"{tail} {word[0]}" for tail in tails for word in _every(numbers, "digit", int(digit))]
        starts = (
            {*heads, "", *(" ".join(words) for words in _every(numbers, "before_point", 0))}
            if int(whole) == 0
            else set(heads)
        )
        ways = {f"{head} {point}{tail}".strip() for head in starts for point in numbers.point for tail in tails}
        if fraction == "5":
            ways |= {f"{head} {half}" for head in heads for half in numbers.half_after if int(whole)}
            ways |= set(numbers.half_alone) if int(whole) == 0 else set()
    if minus:
        ways = {f"{sign} {way}" for sign in numbers.minus for way in ways}
    if not ways:
        raise GrammarError(f"The number {digits} is too long to be said.", "Use a larger unit.")
    return sorted(ways)


def _every(numbers: NumberWords, shape: str, value: int) -> Iterator[list[str]]:
    node = numbers.shapes.narrow(shape, value, value)
    return iter(()) if node is None else tree.every(node)


def _split(digits: str) -> tuple[bool, str, str]:
    minus = digits.startswith("-")
    whole, _, fraction = digits.removeprefix("-").partition(".")
    if not (whole.isascii() and whole.isdigit() and (not fraction or (fraction.isascii() and fraction.isdigit()))):
        raise GrammarError(f"'{digits}' is not a number written in digits.", "Write it like 7.413.")
    return minus, whole, fraction


def _spell(digits: str, lang: Language) -> list[str]:
    """One word a digit; the first word of each value in the data, and `say_zero` for 0."""
    return [
        lang.numbers.say_zero if digit == "0" else next(_every(lang.numbers, "digit", int(digit)))[0]
        for digit in digits
    ]


def _sign(words: tuple[str, ...], numbers: NumberWords) -> tuple[str, tuple[str, ...]]:
    for minus in numbers.minus:
        said = tuple(minus.split())
        if words[: len(said)] == said:
            return "-", words[len(said) :]
    return "", words


def _unsigned(words: tuple[str, ...], numbers: NumberWords) -> set[SpokenNumber]:
    shapes = numbers.shapes
    if " ".join(words) in numbers.half_alone:
        return {SpokenNumber("0.5", False)}
    found: set[SpokenNumber] = set()
    for half in numbers.half_after:
        said = tuple(half.split())
        if words[-len(said) :] == said:
            found |= {SpokenNumber(f"{whole}.5", False) for whole in shapes.read("whole", words[: -len(said)])}
    place = next((at for at, word in enumerate(words) if word in numbers.point), len(words))
    before, after = words[:place], words[place + 1 :]
    tail = ""
    if place < len(words):
        digits = [shapes.read("digit", (word,)) for word in after]
        if not digits or not all(digits):
            return found
        tail = "." + "".join(str(min(one)) for one in digits)
    elif not words:
        return found
    nothing = frozenset({0}) if tail and not before else shapes.read("before_point", before) if tail else frozenset()
    spelled = shapes.read("spelled", before) | nothing
    wholes = shapes.read("whole", before)
    return found | {SpokenNumber(f"{whole}{tail}", whole in spelled) for whole in wholes | spelled}
