"""From what was heard to what it means."""

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.answers import Choice, Command, Heard, Reading, Unclear
from grammar.emit import accepts, sentences
from grammar.language import language
from grammar.numbers import ways_to_say
from grammar.parse import command_in, understand
from grammar.scope import Asked, Option, Scope
from tests.grammar.scopes import ALWAYS, EN, SCOPES, YES_NO

VOLTS = SCOPES["volts"]
READBACK = SCOPES["volts_readback"]


def meant(text, scope=VOLTS, engine="pocketsphinx"):
    return understand(Heard(text, engine=engine), scope)


READINGS = [
    # scope, words, value (SI), step (SI), unit, unit spoken
    ("volts", "one twenty one", 121.0, 1.0, "volt", False),
    ("volts", "one hundred twenty one volts", 121.0, 1.0, "volt", True),
    ("volts", "one two one point oh", 121.0, 0.1, "volt", False),
    ("volts", "eighty four point seven", 84.7, 0.1, "volt", False),
    ("volts", "eighty four point seven volts ac", 84.7, 0.1, "volt", True),
    ("volts", "eighty four point seven ac volts", 84.7, 0.1, "volt", True),
    ("volts", "it is twenty six", 26.0, 1.0, "volt", False),
    ("volts", "it says oh point seven", 0.7, 0.1, "volt", False),
    ("volts", "five hundred millivolts", 0.5, 1e-3, "millivolt", True),
    ("ohms", "point six ohms", 0.6, 0.1, "ohm", True),
    ("ohms", "four point seven kilohms", 4700.0, 100.0, "kilohm", True),
    ("ohms", "four point seven k ohms", 4700.0, 100.0, "kilohm", True),
    ("ohms", "two megohms", 2e6, 1e6, "megohm", True),
    ("ohms", "two and a half meg ohms", 2.5e6, 1e5, "megohm", True),
    ("microamps", "seven point five", 7.5e-6, 1e-7, "microamp", False),
    ("microamps", "seven point five micro amps", 7.5e-6, 1e-7, "microamp", True),
    ("microamps", "seven and a half microamps dc", 7.5e-6, 1e-7, "microamp", True),
    ("microamps", "minus two", -2e-6, 1e-6, "microamp", False),
    ("microamps", "point oh three five milliamps", 35e-6, 1e-6, "milliamp", True),
    ("millivolts", "minus forty one point two", -41.2e-3, 1e-4, "millivolt", False),
    ("millivolts", "point five volts", 0.5, 0.1, "volt", True),
    ("hertz", "fifty nine point nine nine hertz", 59.99, 0.01, "hertz", True),
]

TYPED = [
    ("84.7", 84.7),
    ("84.7v", 84.7),
    ("84.7 V", 84.7),
    ("84.7 volts", 84.7),
    ("84.7 Vac", 84.7),
    ("121", 121.0),
    (".6", 0.6),
    ("0.6", 0.6),
    ("00.6", 0.6),
    ("It is 121 V.", 121.0),
    ("it's 121", 121.0),
    ("One Twenty-One", 121.0),
    ("500 mV", 0.5),
    ("  28  ", 28.0),
    ("1,2", 1.2),
    ("24,6", 24.6),
    ("24,6.", 24.6),
    ("24,6 V", 24.6),
    ("24,6vac", 24.6),
    ("it is 24,6 volts", 24.6),
    ("0,6", 0.6),
    ("500,0 mV", 0.5),
    ("1,2,3", None),
    ("1,2.5", None),
    ("1.2,5", None),
    ("12,", 12.0),
    ("24,6,", 24.6),
    (",6", None),
    ("-,6", None),
    ("it is ,6", None),
    ("24 ,6", None),
    ("24 , 6", None),
    ("2,5 3", None),
    ("3 2,5", None),
    ("2,5, 3", None),
    ("2 - 3,5", None),
    ("24, 6", None),
    ("2-3", None),
    ("12 5", None),
    ("1.2.3", None),
    ("1/2", None),
    ("12abc", None),
    ("٣", None),
    ("121.0", 121.0),
    ("fifteen", 15.0),
    ("15", 15.0),
]


@pytest.mark.parametrize(("scope", "text", "value", "step", "unit", "said"), READINGS)
def test_readings(scope, text, value, step, unit, said):
    found = meant(text, SCOPES[scope])
    assert isinstance(found, Reading)
    assert (found.value, found.low, found.high) == (value, value, value)
    assert found.step == pytest.approx(step)
    assert (found.unit, found.unit_spoken, found.quantity) == (unit, said, SCOPES[scope].asked.quantity)
    assert found.text == text


@pytest.mark.parametrize(("text", "value"), TYPED)
def test_typed(text, value):
    found = meant(text, engine="typed")
    assert (found.value if isinstance(found, Reading) else None) == value


@pytest.mark.parametrize(
    ("text", "scope", "value"),
    [
        ("4.7k", "ohms", 4700.0),
        ("4.7 kΩ", "ohms", 4700.0),
        ("2 MΩ", "ohms", 2e6),
        ("1,200.5 ohms", "ohms", 1200.5),
        ("1234,5 ohms", "ohms", 1234.5),
        ("4,7 kΩ", "ohms", 4700.0),
        ("-7,5uA", "microamps", -7.5e-6),
        ("0.6Ω", "ohms", 0.6),
        ("7.5 µA", "microamps", 7.5e-6),
        ("7.5 μA", "microamps", 7.5e-6),
        ("-7.5uA", "microamps", -7.5e-6),
        ("−2", "microamps", -2e-6),
        ("-.5", "microamps", -0.5e-6),
        ("60 Hz", "hertz", 60.0),
    ],
)
def test_typed_symbols(text, scope, value):
    found = meant(text, SCOPES[scope], "typed")
    assert isinstance(found, Reading)
    assert found.value == value


@pytest.mark.parametrize("text", ["1,200 ohms", "1,200", "12,500 ohms", "0,200", "200,000", "-1,200", "4,700 kΩ"])
@pytest.mark.parametrize("key", ["en", "es"])
def test_a_typed_comma_that_could_be_thousands_is_asked_again(text, key):
    scope = replace(SCOPES["ohms"], language=key)
    assert meant(text, scope, "typed").reason == "not_open"


def test_a_comma_is_a_decimal_point_from_the_keyboard_alone():
    assert meant("24,6", engine="vosk").reason == "not_open"
    assert meant("1,200 ohms", SCOPES["ohms"], engine="vosk").value == 1200.0
    assert meant("no, 84,6", READBACK, "typed").correction.value == 84.6
    between = meant("between 2,1 and 3,5", VOLTS, "typed")
    assert (between.low, between.high) == (2.1, 3.5)


def test_digits_keep_what_was_said():
    assert meant("one two one point oh").digits == "121.0"
    assert meant("eighty four point seven").digits == "84.7"


@pytest.mark.parametrize(
    ("text", "other"),
    [
        ("fifteen", 50.0),
        ("fifty", 15.0),
        ("one fifteen", 150.0),
        ("one hundred fifty volts", 115.0),
        ("one five", None),
        ("fifty two", None),
    ],
)
def test_teens_and_tens_name_what_they_sound_like(text, other):
    assert meant(text).sounds_like == other


def test_no_warning_when_the_display_could_not_show_the_other():
    small = Scope("small", Asked("ac_volts", "volt", 0, 20, 1))
    assert meant("fifteen", small).sounds_like is None


def test_over_limit():
    for text in ("over limit", "open line", "it says over limit"):
        found = meant(text, SCOPES["ohms"])
        assert isinstance(found, Reading)
        assert found.over_limit
        assert math.isinf(found.value)
    assert meant("OL", SCOPES["ohms"], "typed").over_limit
    assert meant("over limit", SCOPES["volts_odd_ends"]).reason == "out_of_range"


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("it is jumping between two and three", 2, 3),
        ("jumping between two point one and three point five volts", 2.1, 3.5),
        ("between three and two", 2, 3),
        ("between two and three and a half", 2, 3.5),
        ("between two and a half and three", 2.5, 3),
        ("between one hundred and five and one hundred and ten", 105, 110),
        ("between one hundred and one hundred and five", 100, 105),
        ("it's jumping between two volts and five volts", 2, 5),
    ],
)
def test_a_moving_display(text, low, high):
    found = meant(text)
    assert isinstance(found, Reading)
    assert (found.low, found.high, found.value) == (low, high, pytest.approx((low + high) / 2))


def test_a_moving_display_with_its_unit_once():
    found = meant("jumping between two and three kilohms", SCOPES["ohms"])
    assert (found.low, found.high, found.unit) == (2000.0, 3000.0, "kilohm")


def test_a_moving_display_where_none_is_open():
    assert meant("between point one and point two", SCOPES["low_ohms"]).reason == "out_of_range"


UNCLEAR = [
    ("volts", "", "nothing"),
    ("volts", "   ", "nothing"),
    ("volts", "<sil> [NOISE] ++BREATH++", "nothing"),
    ("volts", "[unk]", "not_open"),
    ("volts", "banana", "not_open"),
    ("volts", "yes", "not_open"),
    ("volts", "end note", "not_open"),
    ("volts", "twenty oh five", "not_open"),
    ("ready", "ninety two", "not_open"),
    ("volts", "seven hundred", "out_of_range"),
    ("volts", "minus two", "out_of_range"),
    ("low_ohms", "point nine", "out_of_range"),
    ("volts", "between five and seven hundred", "out_of_range"),
    ("volts", "eighty four point seven five", "too_fine"),
    ("volts", "five point one two millivolts", "too_fine"),
    ("ohms", "one point two three four five six kilohms", "too_fine"),
    ("whole", "three and a half", "too_fine"),
    ("volts", "three ohms", "wrong_unit"),
    ("volts", "three volts dc", "wrong_unit"),
    ("volts", "seven hundred ohms", "wrong_unit"),
    ("microamps", "three volts", "wrong_unit"),
    ("volts_digits", "fifteen", "not_open"),
    ("volts_digits", "one twenty one", "not_open"),
    ("volts_digits", "three and a half", "not_open"),
]


@pytest.mark.parametrize(("scope", "text", "reason"), UNCLEAR)
def test_unclear_says_why(scope, text, reason):
    found = meant(text, SCOPES[scope])
    assert isinstance(found, Unclear)
    assert found.reason == reason
    assert (found.reading is not None) == (
        reason in ("out_of_range", "too_fine", "wrong_unit") or (scope == "volts_digits")
    )


def test_the_wrong_unit_comes_with_what_was_understood():
    found = meant("seven point five kilohms").reading
    assert (found.value, found.quantity, found.unit) == (7500.0, "ohms", "kilohm")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("one five", 15.0),
        ("eight four point seven", 84.7),
        ("oh point seven", 0.7),
        ("point six", 0.6),
        ("one two one point oh volts", 121.0),
        ("zero", 0.0),
        ("15", 15.0),
        ("one oh five", 105.0),
    ],
)
def test_digit_by_digit(text, value):
    assert meant(text, SCOPES["volts_digits"]).value == value


@pytest.mark.parametrize("text", ["yes", "correct", "that is correct"])
def test_yes(text):
    assert meant(text, READBACK) == Choice("yes", text)


@pytest.mark.parametrize("text", ["no", "that is wrong", "no that is wrong"])
def test_no(text):
    assert meant(text, READBACK) == Choice("no", text)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("no, eight three", 83.0),
        ("no eighty three", 83.0),
        ("no it is eighty three point one", 83.1),
        ("that is wrong one twenty one", 121.0),
        ("no that is wrong fifteen volts", 15.0),
    ],
)
def test_no_with_the_right_reading(text, value):
    found = meant(text, READBACK)
    assert isinstance(found, Choice)
    assert (found.id, found.correction.value) == ("no", value)


@pytest.mark.parametrize("text", ["no seven hundred", "no three ohms", "no one point two three"])
def test_no_with_a_reading_that_cannot_be_is_still_no(text):
    found = meant(text, READBACK)
    assert (found.id, found.correction) == ("no", None)


def test_yes_takes_no_reading():
    assert meant("yes eighty three", READBACK).reason == "not_open"
    assert meant("no banana", READBACK).reason == "not_open"


@pytest.mark.parametrize("id", EN.commands)
def test_every_command_phrase_means_its_command(id):
    scope = Scope("all", Asked("ac_volts", "volt", 0, 600, 1), YES_NO, tuple(EN.commands))
    for phrase in EN.commands[id].spoken:
        assert meant(phrase, scope) == Command(id, phrase)
    for phrase in EN.commands[id].typed:
        assert meant(phrase, scope, "typed") == Command(id, phrase)
        assert meant(phrase, scope) != Command(id, phrase)


@pytest.mark.parametrize("id", EN.options)
def test_every_answer_phrase_means_its_answer(id):
    scope = Scope("one", None, (EN.option(id),), ALWAYS)
    for phrase in EN.options[id].phrases:
        assert meant(phrase, scope) == Choice(id, phrase)
    for phrase in EN.typed_options[id]:
        assert meant(phrase, scope, "typed") == Choice(id, phrase)


@pytest.mark.parametrize("id", sorted(set(EN.commands) - {"gas"}))
def test_a_command_that_is_not_open_is_not_taken(id):
    assert meant(EN.commands[id].spoken[0], SCOPES["nothing"]).reason == "not_open"


@pytest.mark.parametrize("scope", SCOPES)
@pytest.mark.parametrize(
    "text",
    [
        "i smell gas",
        "smell gas",
        "gas smell",
        "hey wait i smell gas in here",
        "ninety two volts i smell gas",
        "[unk] gas smell [unk]",
        "I SMELL GAS!",
        "there is a gas leak",
    ],
)
def test_gas_is_heard_in_every_scope(scope, text):
    found = meant(text, SCOPES[scope])
    assert isinstance(found, Command)
    assert found.id == "gas"


def test_gas_alone_is_not_a_smell():
    assert meant("gas valve", SCOPES["volts"]).reason == "not_open"


@pytest.mark.parametrize("name", SCOPES)
@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_every_sentence_of_a_scope_is_an_answer(name, seed):
    scope = SCOPES[name]
    for text in sentences(scope, random.Random(seed), 10):
        found = meant(text, scope)
        assert not isinstance(found, Unclear), (text, found)
        assert accepts(scope, text)


@settings(deadline=None)
@given(st.integers(0, 6000), st.data())
def test_value_to_words_to_value(tenths, data):
    """Every way to say a value the display can show is offered to the recogniser and read back as that value."""
    digits = data.draw(st.sampled_from([f"{tenths / 10:.1f}", str(tenths // 10)]))
    for way in ways_to_say(digits):
        found = meant(way)
        assert isinstance(found, Reading), way
        assert found.value == float(digits)
        assert accepts(VOLTS, way), way


@settings(deadline=None)
@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=40))
def test_any_text_gives_some_answer(text):
    assert isinstance(meant(text, READBACK, "typed"), Reading | Command | Choice | Unclear)


@settings(deadline=None)
@given(
    st.lists(
        st.sampled_from(
            [
                *language("en").numbers.alike,
                "one",
                "two",
                "hundred",
                "and",
                "point",
                "a",
                "half",
                "minus",
                "between",
                "volts",
                "ac",
                "no",
                "oh",
            ]
        ),
        max_size=7,
    )
)
def test_a_reading_is_always_one_the_display_can_show(words):
    found = meant(" ".join(words))
    if isinstance(found, Reading) and not found.over_limit:
        assert VOLTS.asked.low <= found.low <= found.value <= found.high <= VOLTS.asked.high
        assert found.step >= 0.1 - 1e-12


@pytest.mark.parametrize(
    "text", ["i smell gas", "one i smell gas two", "say again", "yes", "one twenty one", "", "[unk]"]
)
@pytest.mark.parametrize("scope", [VOLTS, READBACK])
def test_the_command_alone_is_what_the_whole_parse_takes_it_for(scope, text):
    whole = understand(Heard(text, engine="x"), scope)
    assert command_in(text, scope) == (whole if isinstance(whole, Command) else None)


def heard_of(text: str, scope: Scope, engine: str = "vosk"):
    return understand(Heard(text, engine=engine), scope)


def test_weak_words_of_an_answer_may_be_lost_or_mistaken():
    options = (
        Option("lit", ("it has woken up",)),
        Option("bare", ("the rod is bare",)),
        Option("off", ("clips are in my hand",)),
    )
    scope = Scope("x", None, options, ("stop", "gas"))
    assert heard_of("has woken up", scope) == Choice("lit", "has woken up")
    assert heard_of("is woken up", scope) == Choice("lit", "is woken up")
    assert heard_of("clips are my hand", scope) == Choice("off", "clips are my hand")
    for less in ("up", "is bare", "clips are", "rod the", "bare rod", "clips are not in my hand", "rod wire is bare"):
        assert isinstance(heard_of(less, scope), Unclear)
    assert isinstance(heard_of("has woken up", scope, "typed"), Unclear)


@pytest.mark.parametrize(
    "asked",
    [
        "has it woken up",
        "is the rod bare",
        "is rod bare",
        "are clips in my hand",
        "is everything shut down",
        "is the air clear",
        "is air clear",
        "are covers off",
        "is it trying to light",
    ],
)
def test_a_question_is_no_answer(asked):
    """Who asks somebody else whether the power is off has not said that it is."""
    options = (
        Option("lit", ("it has woken up",)),
        Option("bare", ("the rod is bare",)),
        Option("off", ("clips are in my hand",)),
        Option("down", ("everything is shut down",)),
        Option("clear", ("the air is clear",)),
        Option("covers", ("covers are off",)),
        Option("lights", ("it is trying to light",)),
    )
    assert isinstance(heard_of(asked, Scope("x", None, options, ("stop", "gas"))), Unclear)


def test_strong_words_that_two_answers_share_mean_neither():
    scope = Scope("x", None, (Option("one", ("it holds fast",)), Option("two", ("the holds fast",))), ("gas",))
    assert isinstance(heard_of("holds fast", scope), Unclear)
    assert heard_of("the holds fast", scope) == Choice("two", "the holds fast")


def test_one_strong_word_is_no_answer():
    scope = Scope("x", None, (Option("lit", ("it works",)), Option("clear", ("it is clear",))), ("gas",))
    assert isinstance(heard_of("works", scope), Unclear)
    assert isinstance(heard_of("is clear", scope), Unclear)
