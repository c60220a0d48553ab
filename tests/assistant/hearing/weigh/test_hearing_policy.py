"""Doubt: what is taken, and what is asked as "X or Y?"."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.hearing.weigh.meanings import meanings, texts_of
from assistant.hearing.weigh.policy import alarm, weigh
from assistant.hearing.weigh.settings import EngineSettings, HearingSettings, Trust
from grammar.answers import Choice, Command, Heard, Reading, Unclear
from grammar.language import language
from grammar.scope import Asked, Expected, Scope
from tests.lab.measure.parses import parses_counted

LANG = language("en")
ASK = Scope(
    "phasing/ask",
    Asked("ac_volts", "volt", 0.0, 600.0, 1),
    commands=LANG.always_open,
    expected=(Expected(86, 4, 5), Expected(139, 5, 3)),
)
CONFIRM = Scope("phasing/confirm", ASK.asked, (LANG.option("yes"), LANG.option("no")), LANG.always_open)
TRUST = Trust(base=-2.5, fit=1, share=0.5, least_word=0, level=0, length=0, pace=0, option=0, command=0)
SETTINGS = HearingSettings(
    version=1,
    anything=0.3,
    moving=0.002,
    said_whole=0.4,
    said_partly=0.05,
    no_reading=0.02,
    silence=0.69,
    engines={
        "test": EngineSettings(
            share_power=1,
            prior_power=1,
            accept=0.6,
            accept_words=0.6,
            accept_commands=0.6,
            accept_yes=0.8,
            either=0.55,
            trust=TRUST,
        )
    },
)


def heard(*pairs: tuple[str, float]) -> Heard:
    return Heard(pairs[0][0], pairs[0][1], alternatives=pairs, engine="test")


def test_a_sure_reading_is_taken():
    answer = weigh(heard(("eighty four point seven volts", 0.95)), ASK, SETTINGS)
    assert isinstance(answer, Reading)
    assert answer.value == pytest.approx(84.7)


def test_what_the_meter_may_show_decides_between_equals():
    answer = weigh(heard(("fifty four point seven", 0.47), ("eighty four point seven", 0.46)), ASK, SETTINGS)
    assert isinstance(answer, Reading)
    assert answer.value == pytest.approx(84.7)


def test_without_a_prior_two_equals_are_offered():
    bare = replace(ASK, expected=())
    answer = weigh(heard(("fifty four point seven", 0.45), ("eighty four point seven", 0.45)), bare, SETTINGS)
    assert isinstance(answer, Unclear)
    assert answer.reason == "doubtful"
    assert sorted(one.value for one in answer.between) == pytest.approx([54.7, 84.7])


def test_a_bad_fit_is_doubtful():
    answer = weigh(heard(("eighty four point seven", 0.05)), ASK, SETTINGS)
    assert isinstance(answer, Unclear) and answer.weak is not None and answer.weak.value == pytest.approx(84.7)
    assert answer == Unclear("doubtful", "eighty four point seven", weak=answer.weak)


def test_a_doubt_worth_keeping_comes_along():
    keeping = SETTINGS.model_copy(
        update={
            "engines": {
                "test": SETTINGS.engines["test"].model_copy(update={"accept": 0.95, "either": 0.95, "twice": 0.3})
            }
        }
    )
    told = weigh(heard(("eighty four point seven", 0.8)), ASK, keeping)
    assert isinstance(told, Unclear) and told.reading is not None and told.reading.value == pytest.approx(84.7)
    less = weigh(heard(("eighty four point seven", 0.05)), ASK, keeping)
    assert isinstance(less, Unclear) and less.reason == "doubtful" and less.reading is None


GAS_TEXT = "i smell gas"


def looked_at(first: str, second: str, free: str | None) -> Heard:
    return replace(heard((first, 0.9)), second=heard((second, 0.9)), free=free)


@pytest.mark.parametrize(
    "told",
    [
        looked_at(GAS_TEXT, "zero", "i don't know"),
        looked_at("zero", GAS_TEXT, "plugged"),
        looked_at("eighty four i smell gas now repeat", "eighty four and i smell gas", "something else"),
        looked_at("eighty four volts smell gas", "repeat", "eighty four gas"),
        looked_at("[unk] i smell gas [unk]", "[unk]", ""),
        looked_at("eighty four volts smell gas", "repeat", None),
    ],
)
def test_gas_is_taken_from_anybody_who_heard_it(told):
    assert weigh(told, ASK, SETTINGS) == Command("gas", weigh(told, ASK, SETTINGS).text)


def test_an_alarm_amid_other_words_that_one_look_alone_heard_is_talk():
    told = replace(
        looked_at("eight five fifteen gas smell", "eight four sixteen", "minus last not"),
        alternatives=(("eight five fifteen gas smell", 0.3),),
    )
    assert alarm(told, meanings(texts_of(told), ASK), ASK) is None
    assert isinstance(weigh(told, ASK, SETTINGS), Unclear)


MANY = (
    replace(
        heard(*[(text, 0.2) for text in ("eighty four", "eighty five", "eighty four volts", "forty four", "no")]),
        second=heard(*[(text, 0.3) for text in ("eighty five", "eighty four", "fifty four point two")]),
        free="eighty four",
    ),
    replace(heard(("fifteen", 0.5), ("fifty", 0.5)), second=heard(("fifty", 1.0))),
    replace(heard((GAS_TEXT, 0.9), ("repeat", 0.1)), second=heard((GAS_TEXT, 0.9)), free="gas"),
    heard(("eighty four point seven", 0.95)),
    Heard("84.7", engine="typed", alternatives=(("84.7", 1.0),)),
    Heard("", engine="test", second=heard(("why", 0.6), ("eighty", 0.4))),
)


@pytest.mark.parametrize("scope", [ASK, CONFIRM])
@pytest.mark.parametrize("told", MANY)
def test_each_distinct_text_is_parsed_once_at_most(told, scope):
    with parses_counted() as given:
        weigh(told, scope, SETTINGS)
    assert given and len(given) == len(set(given))
    assert set(given) <= set(texts_of(told))


def test_every_text_of_an_utterance_is_there_once_it_is_weighed():
    assert set(texts_of(MANY[0])) == {
        "eighty four",
        "eighty five",
        "eighty four volts",
        "forty four",
        "no",
        "fifty four point two",
    }
    said = meanings(texts_of(MANY[0]), CONFIRM)
    assert said["no"] == Choice("no", "no") and said["eighty five"].value == 85


def test_yes_needs_more_than_no():
    middling = 0.7
    assert isinstance(weigh(heard(("no", middling)), CONFIRM, SETTINGS), Choice)
    assert isinstance(weigh(heard(("yes", middling)), CONFIRM, SETTINGS), Unclear)


@pytest.mark.parametrize("confidence", [0.0, 0.01, 0.5, 1.0])
@pytest.mark.parametrize("scope", [ASK, CONFIRM])
def test_gas_is_never_weighed_away(scope, confidence):
    assert weigh(heard(("i smell gas", confidence)), scope, SETTINGS) == Command("gas", "i smell gas")


def test_typed_words_and_unknown_engines_are_understood_as_they_are():
    assert weigh(Heard("84.7", 0.0, engine="typed"), ASK, SETTINGS).value == pytest.approx(84.7)
    assert weigh(Heard("eighty four point seven", 0.0, engine="another"), ASK, SETTINGS).value == pytest.approx(84.7)


def test_silence_stays_silence():
    assert weigh(Heard("", 0.0, engine="test"), ASK, SETTINGS) == Unclear("nothing", "")


@given(st.floats(0, 1), st.floats(0, 1))
def test_more_confidence_never_turns_an_answer_into_doubt(low, high):
    low, high = sorted((low, high))
    before = weigh(heard(("eighty four point seven", low)), ASK, SETTINGS)
    after = weigh(heard(("eighty four point seven", high)), ASK, SETTINGS)
    assert isinstance(after, Reading) or not isinstance(before, Reading)
