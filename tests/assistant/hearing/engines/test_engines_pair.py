"""Two recognisers together, both real, on the project's own recordings and models."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.errors import EngineError
from assistant.hearing.audio import files
from assistant.hearing.engines.attention import Attentive
from assistant.hearing.engines.base import Final, Partial
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.pair import PairEngine
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.hearing.engines.vosk_engine import VoskEngine
from assistant.hearing.weigh.policy import weigh
from assistant.models.placed import own_model
from audio_fixtures.voices import installed, say, voices
from grammar.answers import Command, Reading
from grammar.language import language
from grammar.scope import Asked, Scope
from tests.lab.measure.hearing_cases import case
from tests.lab.measure.hearing_engines import Streaming
from tests.lab.measure.hearing_run import PAIR, PARTNERS, Job, hear
from tests.lab.measure.hearing_scopes import scopes
from tests.lab.measure.hearing_sound import scene

VOLTS = Scope("supply/ask", Asked("ac_volts", "volt", 0, 300, 1), commands=language("en").always_open)
pytestmark = pytest.mark.skipif(not installed("us-m1"), reason="needs espeak-ng")


@pytest.fixture(scope="module")
def pair():
    engine = Listener(PairEngine(SphinxEngine(), VoskEngine(own_model())))
    yield engine
    engine.close()


def spoken(text: str, voice: str = "us-m1") -> np.ndarray:
    quiet = np.random.default_rng(0).normal(0, 3, 12_000).astype(np.int16)
    return np.concatenate([quiet, say(text, voice), quiet])


def events(engine, sound: np.ndarray, scope: Scope = VOLTS) -> list:
    engine.open(scope)
    return [event for chunk in files.chunks(sound) for event in engine.feed(chunk)] + engine.finish()


def test_both_hear_the_same_utterance(pair):
    found = events(pair, spoken("one hundred twenty one"))
    assert any(isinstance(one, Partial) for one in found)
    [final] = [one for one in found if isinstance(one, Final)]
    assert final.heard.engine == pair.name
    assert final.heard.text == final.heard.second.text == "one hundred twenty one"
    assert final.heard.second.engine == "vosk"
    answer = weigh(final.heard, VOLTS)
    assert isinstance(answer, Reading)
    assert answer.value == 121


def test_gas_is_heard_by_both_and_never_weighed_away(pair):
    [final] = [one for one in events(pair, spoken("i smell gas")) if isinstance(one, Final)]
    assert weigh(final.heard, VOLTS) == Command("gas", "i smell gas")


def test_the_attention_word_stands_in_front_for_both():
    with_word = Attentive(Listener(PairEngine(SphinxEngine(), VoskEngine(own_model()))))
    [final] = [
        one for one in events(with_word, spoken("hello partner one hundred twenty one")) if isinstance(one, Final)
    ]
    assert final.heard.text == final.heard.second.text == "one hundred twenty one"
    assert not [one for one in events(with_word, spoken("one hundred twenty one")) if isinstance(one, Final)]
    with_word.close()


def test_it_says_who_listens(pair):
    assert "PocketSphinx" in pair.description
    assert "Vosk" in pair.description


def test_closed_or_not_opened_it_says_so():
    engine = Listener(PairEngine(SphinxEngine(), VoskEngine(own_model())))
    with pytest.raises(EngineError, match="no grammar"):
        engine.feed(np.zeros(480, np.int16))
    engine.open(VOLTS)
    engine.close()
    with pytest.raises(EngineError):
        engine.open(VOLTS)


READINGS = tuple(number for number in range(60) if case(number, "tune").kind == "reading")[:6]


@pytest.mark.parametrize("number", READINGS)
def test_the_benchmark_joins_what_the_product_hears(pair, monkeypatch, tmp_path, number):
    """The benchmark lets both listen in turn and joins the results; the product must get the same."""
    here = case(number, "tune")
    if not installed(here.voice):
        pytest.skip(f"case {number} is spoken by {here.voice}, whose program is not installed")
    assert PARTNERS == ("sphinx", "small")
    monkeypatch.setattr("tests.lab.measure.hearing_run.cache_folder", lambda: tmp_path)
    joined = hear(PAIR, "tune", [Job(number)], 1, "test")
    finals = [one.heard for one in Streaming(pair.engine).listen(scene(here).sound, scopes()[here.scope])[0]]
    kept = [one.heard for one in joined[Job(number)].endings]
    assert [(one.text, one.second.text) for one in kept] == [(one.text, one.second.text) for one in finals]
    assert [weigh(one, scopes()[here.scope]) for one in kept] == [weigh(one, scopes()[here.scope]) for one in finals]


def test_most_of_those_cases_are_spoken_by_programs_that_the_tests_install():
    """So that the skips above can never leave nothing."""
    engines = {one.id: one.engine for one in voices("tune")}
    assert sum(engines[case(number, "tune").voice] in ("espeak", "flite") for number in READINGS) >= 4
