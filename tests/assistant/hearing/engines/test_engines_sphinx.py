"""PocketSphinx for real: synthetic speech in, words out, under the scope's grammar."""

from __future__ import annotations

import subprocess

import numpy as np
import pytest

import grammar.emit
from assistant.errors import EngineError
from assistant.hearing.audio import files
from assistant.hearing.engines.base import Final, Partial, SpeechStarted
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.silent_room import with_room
from assistant.hearing.engines.sphinx import SphinxEngine
from grammar.scope import Asked, Option, Scope

COMMANDS = ("repeat", "why", "help", "stop")
VOLTS = Scope("supply/ask", Asked("ac_volts", "volt", 0, 300, 1), commands=COMMANDS)
AMPS = Scope("flame/ask", Asked("dc_amps", "microamp", 0, 100e-6, 2), commands=COMMANDS)
WORDS = Scope(
    "supply/ready",
    options=(Option("yes", ("yes", "that is right")), Option("no", ("no", "that is wrong"))),
    commands=COMMANDS,
)


@pytest.fixture(scope="module")
def recognizer():
    """With the model of the wheel, whatever model ships beside it."""
    engine = Listener(SphinxEngine(acoustic={}))
    yield engine
    engine.close()


@pytest.fixture(scope="module")
def say(tmp_path_factory):
    """Text -> int16 at 16 kHz by espeak-ng, with silence around it."""
    folder = tmp_path_factory.mktemp("speech")

    def spoken(text: str, voice: str = "en-us") -> np.ndarray:
        path = folder / "said.wav"
        subprocess.run(["espeak-ng", "-v", voice, "-s", "150", "-w", str(path), text], check=True)
        silence = np.zeros(12_000, np.int16)
        return np.concatenate([silence, files.read(path), silence])

    return spoken


def events(engine, scope, sound, size=1600):
    engine.open(scope)
    found = [event for chunk in files.chunks(sound, size) for event in engine.feed(chunk)]
    return found + engine.finish()


def only_final(found) -> Final:
    finals = [event for event in found if isinstance(event, Final)]
    assert len(finals) == 1
    return finals[0]


@pytest.mark.parametrize(
    ("scope", "text"),
    [
        (VOLTS, "one hundred twenty one"),
        (VOLTS, "ninety two point six"),
        (WORDS, "why"),
        (AMPS, "three point five microamps"),
        (WORDS, "that is right"),
        (WORDS, "i smell gas"),
    ],
)
def test_what_is_said_is_heard(recognizer, say, scope, text):
    assert only_final(events(recognizer, scope, say(text))).heard.text == text


@pytest.mark.parametrize(("scope", "text"), [(VOLTS, "one hundred twenty one"), (WORDS, "i smell gas")])
def test_the_shipped_model_hears_too(say, scope, text):
    engine = Listener(SphinxEngine())
    assert only_final(events(engine, scope, say(text))).heard.text == text


def test_the_events_of_an_utterance_come_in_order(recognizer, say):
    found = events(recognizer, VOLTS, say("one hundred twenty one"))
    assert isinstance(found[0], SpeechStarted) and 0.2 < found[0].at < 0.75
    assert isinstance(found[-1], Final)
    partials = [event.text for event in found[1:-1] if isinstance(event, Partial)]
    assert len(partials) == len(found) - 2 and len(partials) >= 2
    assert partials[-1].startswith("one hundred")


def test_words_have_times_and_confidences_and_alternatives_are_sentences_of_the_scope(recognizer, say):
    final = only_final(events(recognizer, VOLTS, say("ninety two point six")))
    heard = final.heard
    assert " ".join(word.text for word in heard.words) == heard.text
    assert all(0 <= word.confidence <= 1 for word in heard.words)
    starts = [word.start for word in heard.words]
    assert starts == sorted(starts) and heard.words[-1].end <= heard.seconds
    assert 1 <= len(heard.alternatives) <= 5
    assert heard.alternatives[0] == (heard.text, heard.confidence)
    assert all(grammar.emit.accepts(VOLTS, text) for text, _ in heard.alternatives)
    assert sum(share for _, share in heard.alternatives) <= 1.0001
    assert heard.engine == "pocketsphinx"
    assert heard.seconds == pytest.approx(len(final.sound) / 16_000)
    assert heard.level_db is not None and heard.level_db > 20


def test_speech_outside_of_the_grammar_gets_little_confidence(recognizer, say):
    inside = [
        only_final(events(recognizer, VOLTS, say(text))).heard.confidence for text in ("one hundred twenty one", "why")
    ]
    outside = [
        only_final(events(recognizer, VOLTS, say(text))).heard.confidence
        for text in ("the neighbours went away on sunday", "what a lovely garden you have")
    ]
    assert max(outside) < 0.3 < min(inside)


def test_the_same_sound_gives_the_same_words_whatever_came_before(recognizer, say):
    sound = say("ninety two point six")
    first = only_final(events(recognizer, VOLTS, sound)).heard
    events(recognizer, VOLTS, say("one hundred twenty one", "en-us+f3"))
    assert only_final(events(recognizer, VOLTS, sound, size=333)).heard.text == first.text


def test_the_scope_decides_what_can_be_heard(recognizer, say):
    sound = say("one hundred twenty one")
    assert only_final(events(recognizer, VOLTS, sound)).heard.text == "one hundred twenty one"
    text = only_final(events(recognizer, WORDS, sound)).heard.text
    assert text == "" or grammar.emit.accepts(WORDS, text)


def test_silence_gives_nothing_and_a_knock_gives_an_empty_or_doubtful_final(recognizer):
    assert events(recognizer, VOLTS, np.zeros(32_000, np.int16)) == []
    rng = np.random.default_rng(4)
    burst = np.concatenate([np.zeros(16_000), rng.normal(size=4800) * 5000, np.zeros(16_000)]).astype(np.int16)
    for event in events(recognizer, VOLTS, burst):
        if isinstance(event, Final):
            assert event.heard.text == "" or event.heard.confidence < 0.5


def test_opening_drops_a_half_heard_utterance(recognizer, say):
    recognizer.open(VOLTS)
    sound = say("one hundred twenty one")
    recognizer.feed(sound[:24_000])
    assert only_final(events(recognizer, VOLTS, say("why"))).heard.text == "why"


def test_more_scopes_than_are_kept_still_work(say):
    from assistant.hearing.engines.sphinx import SETTINGS, SphinxSettings
    from grammar.datafile import load_yaml

    few = load_yaml(SETTINGS, SphinxSettings).model_copy(update={"cached_scopes": 2})
    engine = Listener(SphinxEngine(settings=few, acoustic={}))
    for scope in (VOLTS, AMPS, WORDS, VOLTS, WORDS):
        engine.open(scope)
    assert only_final(events(engine, VOLTS, say("why"))).heard.text == "why"


def test_sound_before_a_scope_is_refused():
    engine = Listener(SphinxEngine())
    with pytest.raises(EngineError, match="no grammar yet"):
        engine.feed(np.zeros(10, np.int16))
    assert engine.finish() == []
    engine.close()
    with pytest.raises(EngineError, match="closed"):
        engine.open(VOLTS)


class Strange:
    """Grammars with something wrong."""

    def __init__(
        self,
        jsgf: str = "#JSGF V1.0;\ngrammar g;\npublic <g> = yes;\n",
        words: tuple[str, ...] = ("yes",),
        phones: dict[str, str] | None = None,
    ) -> None:
        self._jsgf, self._words, self._phones = jsgf, words, phones or {}

    def jsgf(self, scope):
        return self._jsgf

    def accepts(self, scope, text):
        return True

    def vocabulary(self, scope):
        return frozenset(self._words)

    def pronunciations(self, key):
        return self._phones


@pytest.mark.parametrize(
    ("grammars", "said"),
    [
        (Strange(words=("yes", "frobnicate")), "cannot pronounce: frobnicate"),
        (Strange(phones={"frobnicate": "NO PHONES"}), "refuses the phones of 'frobnicate'"),
        (Strange(jsgf="this is no grammar"), "refuses the grammar of 'supply/ready'"),
    ],
)
def test_a_grammar_that_cannot_be_heard_is_told(grammars, said):
    with pytest.raises(EngineError, match=said):
        SphinxEngine(grammars=grammars).open(WORDS)


def test_a_silence_that_no_room_has_gets_the_noise_of_a_room(say):
    sound = say("one hundred twenty one")
    made = with_room(sound, 20.0)
    frames = np.square(sound[: len(sound) // 480 * 480].reshape(-1, 480).astype(float)).mean(axis=1)
    voice = np.sort(frames)[len(frames) // 2 :].mean()
    added = made.astype(float) - sound
    assert 10 * np.log10(voice / np.mean(added**2)) == pytest.approx(20.0, abs=0.2)
    np.testing.assert_array_equal(made, with_room(sound, 20.0))


def test_a_room_that_is_loud_enough_is_left_as_it_is(say):
    sound = (
        say("one hundred twenty one") // 4
        + np.random.default_rng(1).normal(size=len(say("one hundred twenty one"))) * 800
    ).astype(np.int16)
    np.testing.assert_array_equal(with_room(sound, 20.0), sound)
    assert len(with_room(np.zeros(10, np.int16), 20.0)) == 10
