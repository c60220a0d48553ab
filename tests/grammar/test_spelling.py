"""Characters spelled aloud, there and back. The alphabet is held against the radio alphabet of ICAO Annex 10, Volume
II, 5.2.1.3, written out from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grammar import emit, spelling
from grammar.answers import Choice, Command, Heard, Unclear
from grammar.known import model_words
from grammar.parse import understand
from grammar.scope import Option, Scope

RADIO = (
    "alfa bravo charlie delta echo foxtrot golf hotel india juliett kilo lima mike november oscar papa quebec romeo"
    " sierra tango uniform victor whiskey x-ray yankee zulu"
)
SPELL = Scope("spell", None, (Option("skip", ("skip it",)),), ("gas",), spelled=True)
SIGNS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-/."


def meant(text: str, scope: Scope = SPELL):
    return understand(Heard(text, engine=""), scope)


def test_the_letters_are_the_radio_alphabet():
    first = [spelling.aloud(letter, "en") for letter in SIGNS[:26]]
    assert first == [word.replace("-", " ") for word in RADIO.split()]


@given(st.text(SIGNS, min_size=1, max_size=8))
def test_what_is_spelled_comes_back(text: str):
    aloud = spelling.aloud(text, "en").replace(",", "")
    assert spelling.characters(aloud.split(), "en") == text
    assert meant(aloud) == Choice(f"{spelling.ID}{text}", aloud)
    assert emit.accepts(SPELL, aloud)


@given(st.lists(st.sampled_from([*SIGNS]), min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_every_way_to_say_a_character_is_heard_and_understood(signs, chance):
    table = spelling.spelling().languages["en"]
    said = " ".join(chance.choice(table[one]) for one in signs)
    assert emit.accepts(SPELL, said)
    assert meant(said) == Choice(f"{spelling.ID}{''.join(signs)}", said)


@pytest.mark.parametrize("said", ["mike what", "m", "twenty", "mike eighty"])
def test_a_word_that_spells_nothing_makes_all_of_it_unclear(said: str):
    assert isinstance(meant(said), Unclear)


def test_gas_and_options_are_heard_where_characters_are_spelled():
    assert meant("skip it") == Choice("skip", "skip it")
    assert isinstance(meant("i smell gas"), Command)
    assert isinstance(meant("mike i smell gas eight"), Command)


def test_nothing_is_spelled_where_it_is_not_asked_for():
    assert isinstance(meant("mike eight", Scope("other", None, (Option("skip", ("skip it",)),))), Unclear)


def test_the_model_that_ships_knows_every_word():
    assert spelling.words("en") <= model_words()


def test_a_table_with_one_word_for_two_characters_is_refused():
    with pytest.raises(ValueError, match="'kilo' stands for two characters"):
        spelling.Spelling(version=1, most=8, languages={"en": {"A": ("kilo",), "K": ("kilo",)}})
