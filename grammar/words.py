"""From what an engine or a keyboard gives to plain words: a named list of small steps."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from functools import cache

from grammar.language import Language
from grammar.numbers import digits_spoken
from grammar.units import units

UNKNOWN = "[unk]"
_DIGIT = re.compile("[0-9]")


def lower_case(text: str, lang: Language) -> str:
    """Compatibility forms unified (the two µ, the two Ω), lower case, plain apostrophe and minus."""
    plain = unicodedata.normalize("NFKC", text).lower()
    return plain.replace("’", "'").replace("−", "-").replace("–", "-")


def without_fillers(text: str, lang: Language) -> str:
    """Without what decoders write for silence and noise, and for a second pronunciation; "[unk]" stays."""
    text = re.sub(r"<[^>]*>|\+\+[^+]*\+\+|\[(?!unk\])[^\]]*\]", " ", text)
    return re.sub(r"\([0-9]+\)", "", text)


def units_after_digits(text: str, lang: Language) -> str:
    """ "7.413v" and "4.7 k" with the unit in words; "3 v ac" too."""
    if not _DIGIT.search(text):
        return text
    for typed, key in _typed_units():
        text = typed.sub(rf"\1 {lang.units[key].phrases[0]} \2", text)
    return text


@cache
def _typed_units() -> tuple[tuple[re.Pattern[str], str], ...]:
    """What finds each way to type a unit after a digit, and the unit's key; of one unit the longest first."""
    return tuple(
        (re.compile(rf"([0-9])\s*{re.escape(typed)}(ac|dc)?(?!\w)"), one.key)
        for one in units().values()
        for typed in sorted(one.typed, key=len, reverse=True)
    )


def typed_commas(text: str, lang: Language) -> str:
    """Of typed text: a comma that can only be a decimal point as one ("24,6" is 24.6).

    That is one comma with 1 to 3 digits after it, no point in the number, and no other number beside it ("2,5 3").
    What could be thousands as well ("1,200"), and a comma that is set apart or begins a number ("24, 6", ",6"), gets
    an unknown word, so that it is asked again and never read as ten times as much.
    """

    def point(hit: re.Match[str]) -> str:
        if re.search(r"[0-9]\W*$", text[: hit.start()]):
            return hit[0]
        if len(hit["part"]) == 3 and len(hit["whole"]) <= 3:
            return f"{hit['whole']} {UNKNOWN} {hit['part']}"
        return f"{hit['whole']}{lang.numbers.decimal_mark}{hit['part']}"

    text = re.sub(r"(?<=[0-9])(?:\s+,|,(?=\s))[\s,]*(?=[0-9])|(?<!\w),(?=[0-9])", f" {UNKNOWN} ", text)
    return re.sub(r"(?<![0-9.,])(?P<whole>[0-9]+),(?P<part>[0-9]{1,3})(?!\W*[0-9])", point, text)


def digits_to_words(text: str, lang: Language) -> str:
    """Written numbers as words, digit by digit; a minus only where no word or digit stands before it.

    What could be two numbers or another country's decimal mark ("1,2", "2-3", "12 5") gets an
    unknown word between, so that it is asked again and never run together. Typed commas are looked at before.
    """
    if not _DIGIT.search(text):
        return text
    group, mark = re.escape(lang.numbers.group_mark), re.escape(lang.numbers.decimal_mark)
    text = re.sub(rf"(?<=[0-9]){group}(?=[0-9][0-9][0-9](?![0-9]))", "", text)
    text = re.sub(
        rf"(?<=[0-9])[^\w\s{mark}]+(?=[0-9])|(?<=[0-9][0-9])\s+(?=[0-9])|(?<=[0-9])\s+(?=[0-9][0-9])",
        f" {UNKNOWN} ",
        text,
    )

    return re.sub(
        rf"(?P<minus>(?<![\w.])-\s*)?(?P<whole>[0-9]*)(?:{mark}(?P<part>[0-9]+))?", lambda hit: _said(hit, lang), text
    )


def _said(hit: re.Match[str], lang: Language) -> str:
    if not hit["whole"] and not hit["part"]:
        return hit[0]
    digits = (hit["whole"].lstrip("0") or "0") + (f".{hit['part']}" if hit["part"] else "")
    minus = lang.numbers.minus[0] if hit["minus"] else ""
    return f" {minus} {digits_spoken(digits, lang.key)} "


def without_marks(text: str, lang: Language) -> str:
    """Hyphens as spaces, other punctuation gone; apostrophes and "[unk]" stay."""
    return re.sub(r"[^\w'\[\]]+", " ", text.replace("_", " "))


def replaced(text: str, lang: Language) -> str:
    """Short forms written out ("it's" is "it is"), left-over apostrophes gone."""
    words = (lang.replace.get(word.strip("'"), word.strip("'")) for word in text.split())
    return " ".join(word for word in words if word)


STEPS: tuple[Callable[[str, Language], str], ...] = (
    lower_case,
    without_fillers,
    units_after_digits,
    digits_to_words,
    without_marks,
    replaced,
)


def plain_words(text: str, lang: Language, typed: bool = False) -> tuple[str, ...]:
    """The words of `text` after all steps; none for silence. typed: whether it came from a keyboard."""
    for step in STEPS:
        if typed and step is digits_to_words:
            text = typed_commas(text, lang)
        text = step(text, lang)
    return tuple(text.split())
