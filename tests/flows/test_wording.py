"""Values spoken as numbers and digit by digit, and taken back by the parser of readings."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from num2words import num2words

from flows.procedure.wording import digit_words, fill, quantity_words, spoken_lines
from grammar.errors import DataFileError
from grammar.numbers import parse

TABLE = [
    (84.7, "ac_volts", "eighty four point seven volts"),
    (121.0, "ac_volts", "one hundred twenty one volts"),
    (1.0, "ac_volts", "one volt"),
    (-2.0, "dc_volts", "minus two volts"),
    (3.5e-6, "dc_amps", "three point five microamps"),
    (0.65, "ohms", "zero point six five ohms"),
    (4700.0, "ohms", "four point seven kilohms"),
    (2.2e6, "ohms", "two point two megohms"),
    (0.25, "ac_amps", "zero point two five amps"),
    (math.inf, "ohms", "over limit"),
]


@pytest.mark.parametrize(("value", "quantity", "words"), TABLE)
def test_a_value_is_spoken_as_a_person_would(value, quantity, words):
    assert quantity_words(value, quantity, "en") == words


@given(st.integers(0, 599))
def test_whole_volts_are_what_num2words_says(volts):
    words = num2words(volts).replace("-", " ").replace(" and", "")
    assert quantity_words(float(volts), "ac_volts", "en").rsplit(" ", 1)[0] == words


@given(st.decimals(0, 599, places=1))
def test_a_read_back_means_the_same_reading(number):
    spoken = digit_words(str(number), "volt", "en").rsplit(" ", 1)[0]
    assert parse(spoken).value == number


@given(st.integers(0, 9999))
def test_every_digit_is_said(number):
    names = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
    assert digit_words(str(number), "volt", "en").split()[:-1] == [names[int(digit)] for digit in str(number)]


def test_numbers_are_filled_into_lines():
    assert fill("I expect {expected}.", {"expected": 26.0}, "ac_volts", "en") == "I expect twenty six volts."


def test_a_language_that_is_not_there_is_named():
    with pytest.raises(DataFileError, match=r"xx\.yaml"):
        spoken_lines("xx")
