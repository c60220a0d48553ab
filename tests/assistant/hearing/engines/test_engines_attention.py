"""The attention word, through the real recogniser."""

from __future__ import annotations

import subprocess

import numpy as np
import pytest

from assistant.errors import EngineError
from assistant.hearing.audio import files
from assistant.hearing.engines.attention import Attentive, AttentiveGrammars, phrase_of, settings, without_phrase
from assistant.hearing.engines.base import Final
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.hearing.weigh.policy import weigh
from grammar.answers import Command, Heard
from grammar.language import language
from grammar.phonetics import APART, distance
from grammar.scope import Asked, Scope

VOLTS = Scope("supply/ask", Asked("ac_volts", "volt", 0, 300, 1), commands=("why", "stop"))


@pytest.fixture(scope="module")
def attentive():
    engine = Attentive(Listener(SphinxEngine(acoustic={})))
    yield engine
    engine.close()


@pytest.fixture
def hear(attentive, tmp_path):
    def heard(text: str) -> list[str]:
        subprocess.run(["espeak-ng", "-v", "en-us", "-s", "150", "-w", str(tmp_path / "a.wav"), text], check=True)
        silence = np.zeros(12_000, np.int16)
        attentive.open(VOLTS)
        sound = np.concatenate([silence, files.read(tmp_path / "a.wav"), silence])
        events = [event for chunk in files.chunks(sound) for event in attentive.feed(chunk)] + attentive.finish()
        return [event.heard.text for event in events if isinstance(event, Final)]

    return heard


def test_what_begins_with_the_word_is_heard_without_it(hear):
    assert hear("hello partner one hundred twenty one") == ["one hundred twenty one"]
    assert hear("hello partner why") == ["why"]


def test_what_does_not_is_dropped(hear):
    assert hear("one hundred twenty one") == []
    assert hear("the neighbours went away on sunday") == []


def test_gas_needs_no_word(hear):
    assert hear("i smell gas") == ["i smell gas"]


def test_the_word_sounds_like_no_command():
    lang = language("en")
    phrase = phrase_of("en")
    near = min((distance(phrase, spoken), spoken) for id in lang.commands for spoken in lang.command(id).spoken)
    assert near[0] >= APART, near


def test_both_engines_get_the_word_in_front():
    grammars = AttentiveGrammars()
    assert "public <attention> = [ hello partner ] <supply_ask>;" in grammars.jsgf(VOLTS)
    assert "hello partner why" in grammars.phrases(VOLTS) and "i smell gas" in grammars.phrases(VOLTS)
    assert {"hello", "partner", "volts"} <= grammars.vocabulary(VOLTS)
    assert grammars.accepts(VOLTS, "hello partner one twenty one") and grammars.accepts(VOLTS, "one twenty one")
    assert not grammars.accepts(VOLTS, "hello partner") and not grammars.accepts(VOLTS, "partner why")


def test_the_word_alone_leaves_nothing():
    assert without_phrase("hello partner", "en") == ("", True)
    assert without_phrase("hello why", "en") == ("hello why", False)


def test_a_language_without_a_word_is_told():
    with pytest.raises(EngineError, match="no attention word"):
        phrase_of("xx")
    assert "gas" in settings().without


class OnlyTheSecond:
    """Two recognisers of which the first heard nothing."""

    name = "pair"

    def use(self, grammars: object) -> None: ...

    def open(self, scope: Scope) -> None: ...

    def finish(self) -> list[Final]:
        return [
            Final(Heard("", 0.0, engine="pair", second=Heard("i smell gas", 0.9, engine="vosk")), np.zeros(0, np.int16))
        ]


def test_gas_that_only_one_of_two_heard_passes():
    engine = Attentive(OnlyTheSecond())
    engine.open(VOLTS)
    [final] = engine.finish()
    assert weigh(final.heard, VOLTS) == Command("gas", "i smell gas")
