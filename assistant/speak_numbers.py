"""A value in SI as words: "ninety two point six volts", or digit by digit."""

from __future__ import annotations

import math
from decimal import Decimal

from assistant.errors import VoiceError
from grammar.language import language
from grammar.numbers import digits_spoken, say_digits_after
from grammar.units import from_si
from grammar.units import spoken as unit_spoken


def spoken(value: float, unit: str, decimals: int, key: str = "en") -> str:
    """ "three point five microamps" from 3.5e-6, "microamp", 1. Whole part as a number, decimals one by one.

    value: SI; infinity is the over-limit display. unit: a key of the units, or
    "" for a bare number. decimals: digits spoken after the point, in `unit`.
    Raises VoiceError for a value that is no number, GrammarError for an unknown unit.
    """
    return _said(value, unit, decimals, key, say_digits_after)


def digit_by_digit(value: float, unit: str, decimals: int, key: str = "en") -> str:
    """ "nine two point six volts" from 92.6, "volt", 1, for a read-back. Arguments and errors as `spoken`."""
    return _said(value, unit, decimals, key, digits_spoken)


def written(value: float, unit: str, decimals: int) -> str:
    """The digits as a display in `unit` shows them, "92.6": half away from zero, no minus before a zero."""
    number = Decimal(repr(value)) if not unit else Decimal(repr(from_si(value, unit)))
    text = f"{_rounded(number, decimals):f}"
    return text.removeprefix("-") if not text.strip("-0.") else text


def _said(value: float, unit: str, decimals: int, key: str, words) -> str:
    if math.isnan(value):
        raise VoiceError("A value that is no number cannot be spoken.", "Take the reading again.")
    if math.isinf(value):
        return language(key).over_limit.spoken[0]
    digits = written(value, unit, decimals)
    said = words(digits, key)
    return f"{said} {unit_spoken(unit, digits, key)}" if unit else said


def _rounded(number: Decimal, decimals: int) -> Decimal:
    return number.quantize(Decimal(1).scaleb(-decimals), rounding="ROUND_HALF_UP")
