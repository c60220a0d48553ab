"""Values spoken as numbers and digit by digit, and taken back by the parser of readings."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.errors import VoiceError
from assistant.speak_numbers import digit_by_digit, spoken, written
from grammar.errors import GrammarError
from grammar.numbers import parse
from grammar.units import to_si

TABLE = [
    (92.6, "volt", 1, "ninety two point six volts", "nine two point six volts"),
    (3.5e-6, "microamp", 1, "three point five microamps", "three point five microamps"),
    (0.6, "ohm", 1, "zero point six ohms", "zero point six ohms"),
    (-2.0, "volt", 0, "minus two volts", "minus two volts"),
    (121.0, "volt", 0, "one hundred twenty one volts", "one two one volts"),
    (121.0, "volt", 1, "one hundred twenty one point zero volts", "one two one point zero volts"),
    (149.2, "volt", 1, "one hundred forty nine point two volts", "one four nine point two volts"),
    (1.0, "volt", 0, "one volt", "one volt"),
    (1.0, "ohm", 1, "one point zero ohms", "one point zero ohms"),
    (4700.0, "kilohm", 1, "four point seven kilohms", "four point seven kilohms"),
    (60.0, "hertz", 0, "sixty hertz", "six zero hertz"),
    (0.0281, "millivolt", 1, "twenty eight point one millivolts", "two eight point one millivolts"),
    (0.05, "", 2, "zero point zero five", "zero point zero five"),
    (math.inf, "ohm", 1, "over limit", "over limit"),
]


@pytest.mark.parametrize(("value", "unit", "decimals", "whole", "digits"), TABLE)
def test_table(value, unit, decimals, whole, digits):
    assert spoken(value, unit, decimals) == whole
    assert digit_by_digit(value, unit, decimals) == digits


@pytest.mark.parametrize(
    ("value", "decimals", "digits"),
    # 2.675 is stored a little low; as people write it, half rounds away from zero.
    [(2.675, 2, "2.68"), (0.25, 1, "0.3"), (-0.04, 1, "0.0"), (-0.05, 1, "-0.1"), (99.96, 1, "100.0"), (1e-7, 2, "0.00")],
)
def test_rounding_as_a_display_does(value, decimals, digits):
    assert written(value, "volt", decimals) == digits


def test_no_number_is_refused():
    with pytest.raises(VoiceError, match="no number cannot be spoken"):
        spoken(math.nan, "volt", 1)


def test_an_unknown_unit_is_refused():
    with pytest.raises(GrammarError, match="no unit 'furlong'"):
        spoken(1.0, "furlong", 1)


@given(number=st.decimals(-999, 999, places=2), unit=st.sampled_from(["volt", "ohm", "microamp", "kilohm", "millivolt"]))
def test_what_is_read_back_means_the_same_reading(number, unit):
    """Round trip through the parser that hears readings: no digit is lost on the way out."""
    value = to_si(number, unit)
    for words in (spoken(value, unit, 2), digit_by_digit(value, unit, 2)):
        heard = parse(words.rsplit(" ", 1)[0])
        assert heard is not None and heard.value == Decimal(written(value, unit, 2)) == number


@given(number=st.integers(0, 9999))
def test_digit_by_digit_says_every_digit(number):
    names = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
    assert digit_by_digit(float(number), "", 0).split() == [names[int(digit)] for digit in str(number)]
