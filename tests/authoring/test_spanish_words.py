"""Spanish numbers and sounds, against outside references."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from num2words import num2words

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.procedure.wording import digit_words, quantity_words
from grammar.answers import Choice, Command, Heard, Reading, Unclear
from grammar.emit import accepts
from grammar.errors import GrammarError
from grammar.language import language
from grammar.numbers import digits_spoken, mistaken, parse, read, say, ways_to_say
from grammar.parse import understand
from grammar.phonetics import distance, phones
from grammar.scope import Asked, Scope

ES = language("es")
VOLTS = Scope(
    "es", Asked("ac_volts", "volt", 0, 600, 1), (ES.option("yes"), ES.option("no")), ES.always_open, language="es"
)


def heard(text: str, scope: Scope = VOLTS):
    return understand(Heard(text, engine="typed"), scope)


def test_every_number_to_999_as_num2words_says_it():
    for number in range(1000):
        words = num2words(number, lang="es")
        assert {one.digits for one in read(words.split(), "es")} == {str(number)}, words
        assert say(number, key="es") == words


@given(st.integers(1000, 999_999))
@settings(deadline=None)
def test_larger_numbers_as_num2words_says_them(number):
    found = {one.digits for one in read(num2words(number, lang="es").split(), "es")}
    assert found == {str(number)}


@given(st.integers(0, 599), st.text("0123456789", max_size=2))
@settings(deadline=None, max_examples=60)
def test_every_way_to_say_a_number_means_it(whole, part):
    digits = f"{whole}.{part}" if part else str(whole)
    for way in itertools.islice(ways_to_say(digits, "es"), 40):
        assert digits in {one.digits for one in read(way.split(), "es")}, way


@pytest.mark.parametrize(
    ("words", "digits"),
    [
        ("ochenta y cuatro punto siete", "84.7"),
        ("ochenta y cuatro coma siete", "84.7"),
        ("ocho cuatro punto siete", "84.7"),
        ("ciento veintiuno", "121"),
        ("ciento veintiún", "121"),
        ("uno dos uno", "121"),
        ("treinta y un", "31"),
        ("cero punto cero dos", "0.02"),
        ("punto siete", "0.7"),
        ("tres y medio", "3.5"),
        ("medio", "0.5"),
        ("menos tres punto cinco", "-3.5"),
        ("cien", "100"),
        ("mil doscientos", "1200"),
        ("cuatro mil setecientos", "4700"),
    ],
)
def test_numbers_as_they_are_said(words, digits):
    assert parse(words, "es").digits == digits


@pytest.mark.parametrize(
    "words", ["y dos", "treinta y", "ciento cien", "cien uno", "dos cien", "veinte y cinco cinco", "punto", "diez uno"]
)
def test_what_is_no_number(words):
    assert read(words.split(), "es") == ()


def test_sixty_and_seventy_are_asked_digit_by_digit():
    assert [one.digits for one in mistaken(["ciento", "sesenta"], "es")] == ["170"]
    assert distance("sesenta", "setenta", "es") < distance("cincuenta", "sesenta", "es") / 2


def test_a_number_before_its_unit_loses_its_o():
    """ "Veintiún años", not "veintiuno años": Real Academia Española, Diccionario panhispánico de dudas, under "uno";
    from memory."""
    assert quantity_words(121.0, "ac_volts", "es") == "ciento veintiún voltios"
    assert quantity_words(1.0, "ac_volts", "es") == "un voltio"
    assert quantity_words(84.7, "ac_volts", "es") == "ochenta y cuatro punto siete voltios"
    assert quantity_words(3.5e-6, "dc_amps", "es") == "tres punto cinco microamperios"
    assert digit_words("92.1", "volt", "es") == "nueve dos punto uno voltios"
    assert digits_spoken("120", "es") == "uno dos cero"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("121.3", 121.3),
        ("92,6", 92.6),
        ("92,6 voltios", 92.6),
        ("marca 92,6", 92.6),
        ("120 voltios", 120),
        ("120vac", 120),
        ("noventa y dos voltios de alterna", 92),
        ("marca ciento veintiún voltios", 121),
        ("dieciseis", 16),
        ("fuera de rango", float("inf")),
    ],
)
def test_readings_are_understood(text, value):
    answer = heard(text)
    assert isinstance(answer, Reading) and answer.value == value


def test_a_moving_display_and_a_correction():
    moving = heard("entre dos y tres")
    assert (moving.low, moving.high) == (2, 3)
    corrected = heard("no ciento veinticuatro")
    assert isinstance(corrected, Choice) and corrected.id == "no" and corrected.correction.value == 124


def test_what_the_meter_cannot_show_is_refused_with_the_reason():
    assert heard("novecientos").reason == "out_of_range"
    assert heard("ciento veinte ohmios").reason == "wrong_unit"
    assert isinstance(heard("1,200"), Unclear), "what could be thousands is asked again"


@pytest.mark.parametrize(
    "text", ["huele a gas", "aquí huele a gas creo", "huelo gas", "hay una fuga de gas", "gas", "Huele a GAS."]
)
@pytest.mark.parametrize("scope", [VOLTS, Scope("memo", language="es", commands=("end_note",))])
def test_gas_is_understood_everywhere(text, scope):
    assert isinstance(heard(text, scope), Command) and heard(text, scope).id == "gas"


def test_every_phrase_of_the_language_is_in_the_grammar_and_comes_back():
    assert len(ES.always_open) > 5 and all(ES.command(id).spoken for id in ES.always_open)
    for id in ES.always_open:
        for phrase in ES.command(id).spoken:
            assert accepts(VOLTS, phrase)
            assert heard(phrase) == Command(id, phrase)


def test_it_is_not_bad_means_yes_and_is_therefore_no_answer():
    assert isinstance(heard("no está mal"), Unclear)


IPA = {
    "jj": "Y",
    "tʃ": "CH",
    "ɟʝ": "Y",
    "dʒ": "Y",
    "ɲ": "N Y",
    "ŋ": "N",
    "β": "B",
    "b": "B",
    "v": "B",
    "ð": "D",
    "d": "D",
    "ɣ": "G",
    "ɡ": "G",
    "x": "HH",
    "h": "HH",
    "ʝ": "Y",
    "ʎ": "Y",
    "j": "Y",
    "w": "W",
    "ɾ": "R",
    "r": "R",
    "p": "P",
    "t": "T",
    "k": "K",
    "f": "F",
    "s": "S",
    "z": "S",
    "θ": "S",
    "m": "M",
    "n": "N",
    "l": "L",
    "ɛ": "EH",
    "e": "EH",
    "a": "AA",
    "i": "IY",
    "ɪ": "IY",
    "o": "AO",
    "ɔ": "AO",
    "u": "UW",
    "ʊ": "UW",
}
"""IPA as eSpeak NG writes it -> our phones; it writes the glide of "varilla" long."""


def _from_ipa(text: str) -> tuple[str, ...]:
    pieces = re.findall("|".join(IPA) + "|.", re.sub("[ˈˌː]", "", text))
    return tuple(phone for piece in pieces for phone in IPA.get(piece, f"?{piece}").split())


@pytest.mark.skipif(not shutil.which("espeak-ng"), reason="espeak-ng is not installed")
def test_the_rules_for_letters_against_espeak_ng():
    """Every word that can be said, as eSpeak NG pronounces Latin American Spanish."""
    words = {word for values in ES.numbers.shapes.classes.values() for word in values}
    phrases = [phrase for one in ES.commands.values() for phrase in one.spoken] + [
        phrase for one in ES.options.values() for phrase in one.phrases
    ]
    for name in ("flame_sensing", "control_circuit_24v", "igniter_check"):
        for step in load_plan(name, equipment("larkspur"), meter("dunlin"), "es").procedure.steps.values():
            for answer in step.answers.values():
                phrases += [*answer.phrases, *(answer.again.phrases if answer.again else ())]
    words |= {word for phrase in phrases for word in phrase.split()}
    given = sorted(words)
    done = subprocess.run(
        ["espeak-ng", "-q", "--ipa", "-v", "es-419"],
        input="\n".join(given) + "\n",
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    told = [line.strip() for line in done.stdout.splitlines() if line.strip()]
    assert len(told) == len(given) > 150
    wrong = {
        word: (phones(word, "es")[0], ipa)
        for word, ipa in zip(given, told, strict=True)
        if phones(word, "es")[0] != _from_ipa(ipa)
    }
    assert wrong == {}


def test_a_letter_without_a_rule_is_told():
    with pytest.raises(GrammarError, match="Nothing tells how 'ø' in 'smørbrød' sounds"):
        phones("smørbrød", "es")
