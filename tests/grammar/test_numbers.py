"""Spoken numbers: one table, an accept list, a reject list, an outside reference, and round trips."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from num2words import num2words

from grammar.errors import GrammarError
from grammar.numbers import digits_spoken, mistaken, parse, read, say, say_digits_after, ways_to_say

TABLE = """
zero                                  0
one                                   1
nine                                  9
ten                                   10
eleven                                11
twelve                                12
fifteen                               15
nineteen                              19
twenty                                20
twenty one                            21
ninety seven                          97
one hundred                           100
a hundred                             100
a hundred and ten                     110
a hundred twenty one                  121
one hundred one                       101
one hundred and five                  105
one oh five                           105
one zero five                         105
one hundred twenty one                121
one hundred and twenty one            121
one twenty one                        121
one two one                           121
one ten                               110
one fifteen                           115
one fifty                             150
two fifty                             250
three sixty five                      365
five hundred                          500
five hundred ninety nine              599
six hundred                           600
six oh oh                             600
nine ninety nine                      999
one thousand                          1000
twelve hundred                        1200
fifteen hundred                       1500
fifteen hundred and fifty             1550
one two zero zero                     1200
one thousand two hundred              1200
two thousand and five                 2005
four thousand seven hundred           4700
four seven oh oh                      4700
ten thousand                          10000
ninety nine thousand nine hundred     99900
two hundred thousand                  200000
one two                               12
one oh                                10
two oh                                20
one two one point oh                  121.0
one two one point zero                121.0
one twenty one point oh               121.0
one hundred twenty one point five     121.5
eighty four point seven                  84.7
eight four point seven                    84.7
point six                             0.6
oh point seven                        0.7
oh point two                          0.2
zero point two                        0.2
zero point oh                         0.0
point oh five                         0.05
point zero zero one                   0.001
three point five                      3.5
three and a half                      3.5
twenty one and a half                 21.5
one hundred and a half                100.5
one hundred and one and a half        101.5
a half                                0.5
one half                              0.5
three point five oh                   3.50
three point one four one five         3.1415
forty one point one                   41.1
one forty point one                   140.1
one forty nine                        149
minus two                             -2
minus point six                       -0.6
minus one twenty one point oh         -121.0
negative three point five             -3.5
minus zero                            -0
minus three and a half                -3.5
fifty nine point nine nine            59.99
sixty                                 60
sixty point oh one                    60.01
eighteen point four                   18.4
eighty point four                     80.4
two hundred two                       202
two oh two                            202
two two two                           222
seven                                 7
seven hundred seventy seven           777
nine nine nine nine                   9999
""".strip().splitlines()

REJECT = (
    """
|hundred|thousand|and|point|minus|oh|oh oh|and a half|five and|one hundred and|point point five|five point
twenty oh five|twenty fifteen|fifteen two|ten one|zero five|zero zero|one thousand thousand|hundred five
twenty one thirty|five point twenty|three point fifteen|one point and a half|minus minus two|two minus|half|seven and
one point two point three|twenty one hundred and one hundred|one hundred five six|five five five five five five five
one hundred hundred|and five|banana|five banana|a|a hundred hundred|three a half|minus|minus banana
""".strip()
    .replace("\n", "|")
    .split("|")
)

WRITTEN = st.from_regex(re.compile(r"-?(0|[1-9]\d{0,3})(\.\d{1,3})?", re.ASCII), fullmatch=True)


@pytest.mark.parametrize("row", TABLE)
def test_table(row):
    text, digits = re.split(r"\s{2,}", row)
    found = parse(text)
    assert found is not None
    assert found.digits == digits


@pytest.mark.parametrize("text", REJECT)
def test_rejects(text):
    assert read(text.split()) == ()


@pytest.mark.parametrize(
    "text",
    [
        "one five",
        "eight four point seven",
        "point six",
        "oh point seven",
        "one oh five",
        "zero",
        "minus one five",
        "five",
    ],
)
def test_digit_by_digit_is_seen(text):
    assert parse(text).spelled


@pytest.mark.parametrize(
    "text", ["fifteen", "one fifteen", "eighty four point seven", "three and a half", "one hundred", "ten"]
)
def test_grouped_numbers_are_not_digit_by_digit(text):
    assert not parse(text).spelled


@pytest.mark.parametrize("american", [True, False])
def test_num2words_reads_back(american):
    """num2words is the outside reference for every whole number up to 999, with "and" and without."""
    for value in range(1000):
        text = num2words(value).replace("-", " ")
        assert parse(text.replace(" and ", " ") if american else text).digits == str(value)


def test_num2words_thousands_read_back():
    for value in range(1000, 1_000_000, 997):
        text = num2words(value).replace("-", " ").replace(",", "")
        assert parse(text).digits == str(value)


@settings(deadline=None)
@given(WRITTEN)
def test_every_way_to_say_a_number_means_that_number_alone(digits):
    ways = ways_to_say(digits)
    assert ways
    for way in ways:
        found = read(way.split())
        assert [float(one.value) for one in found] == [float(digits)], way


@settings(deadline=None)
@given(WRITTEN)
def test_our_own_spoken_forms_are_among_them_and_keep_every_digit(digits):
    assert say_digits_after(digits) in ways_to_say(digits)
    assert digits_spoken(digits) in ways_to_say(digits)
    assert parse(digits_spoken(digits)).digits == digits
    assert parse(digits_spoken(digits)).spelled


@settings(deadline=None)
@given(st.integers(-9999, 9999), st.integers(0, 3))
def test_say_reads_back(number, decimals):
    value = number / 10**decimals
    assert float(parse(say(value, decimals)).digits) == pytest.approx(value)


@pytest.mark.parametrize(
    ("value", "decimals", "words"),
    [
        (121, 0, "one hundred twenty one"),
        (84.7, 1, "eighty four point seven"),
        (0.7, 1, "zero point seven"),
        (-3.5, 1, "minus three point five"),
        (120.05, 2, "one hundred twenty point zero five"),
        (1500, 0, "one thousand five hundred"),
    ],
)
def test_say(value, decimals, words):
    assert say(value, decimals) == words


def test_digits_spoken():
    assert digits_spoken("84.7") == "eight four point seven"
    assert digits_spoken("-105") == "minus one zero five"


@pytest.mark.parametrize("digits", ["", "9,2", "1e5", "abc", "--2", "٣"])
def test_digits_that_are_none_say_what_to_write(digits):
    with pytest.raises(GrammarError, match=r"7\.413"):
        digits_spoken(digits)


def test_no_words_for_infinity():
    with pytest.raises(GrammarError, match="over-limit"):
        say(float("inf"))


@pytest.mark.parametrize(
    ("text", "other"),
    [
        ("fifteen", "50"),
        ("fifty", "15"),
        ("thirteen", "30"),
        ("thirty", "13"),
        ("one fifteen", "150"),
        ("one hundred fifty", "115"),
        ("one forty point one", "114.1"),
        ("nineteen point five", "90.5"),
    ],
)
def test_teens_and_tens_are_mistaken_for_each_other(text, other):
    assert [one.digits for one in mistaken(text.split())] == [other]


@pytest.mark.parametrize(
    "text", ["fifty two", "one five", "twenty", "twelve", "one twenty one", "eighty four point seven"]
)
def test_others_are_not(text):
    assert mistaken(text.split()) == ()
