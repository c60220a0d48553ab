"""How people speak a number off a display, for measuring. Kept apart on purpose from two others.

From `grammar.numbers.ways_to_say`, which is what the product takes: a form that
it forgot must turn up here. And from `tests/lab/train/sentences.py`, which the
models learnt from: how often each form comes is drawn here anew, so that
nothing is measured on the very mixture that was trained. Cardinals come from
num2words; the other forms (digit by digit, "one twenty one", "oh" for zero) are
common practice.
"""

from __future__ import annotations

import numpy as np
from num2words import num2words

TEENS = tuple(num2words(value) for value in range(20))
TENS = tuple(num2words(value) for value in range(20, 100, 10))
DIGITS = TEENS[:10]
UNITS = {"volt": ("volt", "volts"), "ohm": ("ohm", "ohms"), "microamp": ("microamp", "microamps")}


def number(digits: str, rng: np.random.Generator) -> str:
    """One of the ways to say a display such as "7.413" or "0.08"."""
    whole, _, part = digits.partition(".")
    zero = "oh" if rng.random() < 0.25 else "zero"
    said = ""
    if part:
        said = " point " + " ".join(zero if one == "0" else DIGITS[int(one)] for one in part)
    value = int(whole)
    if value == 0:
        return (str(rng.choice(["zero", "", "oh"], p=[0.6, 0.3, 0.1])) + said).strip() if part else "zero"
    if value >= 10 and rng.random() < 0.15:
        return " ".join(zero if one == "0" else DIGITS[int(one)] for one in whole) + said
    return _whole(value, rng) + said


def _whole(value: int, rng: np.random.Generator) -> str:
    cardinal = _cardinal(value)
    if value < 100 or value >= 1000:
        return cardinal
    hundreds, rest = divmod(value, 100)
    style = rng.random()
    if rest and style < 0.5:
        return f"{DIGITS[hundreds]} oh {DIGITS[rest]}" if rest < 10 else f"{DIGITS[hundreds]} {_cardinal(rest)}"
    if style < 0.75:
        return cardinal.replace(" and ", " ")
    return cardinal


def _cardinal(value: int) -> str:
    return num2words(value).replace("-", " ").replace(",", "")


def with_unit(said: str, digits: str, unit: str, rng: np.random.Generator) -> str:
    """The number with its unit (six in ten) or without."""
    if rng.random() >= 0.6:
        return said
    one, many = UNITS[unit]
    return f"{said} {one if float(digits) == 1 else many}"
