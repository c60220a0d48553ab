"""The model folder that ships: Vosk loads it, hears with it, rejects with it, and it is small."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import vosk
from scipy.stats import binom

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE
from assistant.hearing.engines.attention import phrase_of
from assistant.hearing.engines.looks import looks
from assistant.practice.phrases import answering_scope, confirming_scope, probing_scope
from assistant.visit.plans import words_of
from audio_fixtures.voices import say
from flows.faults import catalog
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from grammar import emit
from grammar.language import language
from grammar.scope import Asked, Scope

MODEL = Path(__file__).parents[2] / "grammar" / "model" / "twohands-en"
VOLTS = Scope("volts", Asked("ac_volts", "volt", 0.0, 600.0, 1), commands=language("en").always_open)
ANSWER = Scope("answer", None, (language("en").option("yes"), language("en").option("no")), language("en").always_open)


@pytest.fixture(scope="module")
def model() -> vosk.Model:
    vosk.SetLogLevel(-1)
    return vosk.Model(str(MODEL))


def heard(model: vosk.Model, scope: Scope, sound: np.ndarray) -> str:
    """The words in a quiet room, in the look that the product decides on."""
    recogniser = vosk.KaldiRecognizer(model, RATE, json.dumps(emit.phrases(scope)))
    quiet = np.random.default_rng(0).normal(0, 3, RATE // 3).astype(np.int16)
    recogniser.AcceptWaveform(looks(np.concatenate([quiet, sound, quiet]))[0].tobytes())
    return json.loads(recogniser.FinalResult())["text"]


def test_the_folder_is_under_eight_megabytes():
    assert sum(file.stat().st_size for file in MODEL.rglob("*") if file.is_file()) < 8e6


def test_it_knows_every_word_that_the_language_file_can_offer(model):
    scopes = [
        VOLTS,
        ANSWER,
        Scope("amps", Asked("dc_amps", "microamp", -600e-6, 600e-6, 2, signed=True)),
        Scope("ohms", Asked("ohms", "ohm", 0.0, 40e6, 2)),
    ]
    scopes.append(Scope("all", None, tuple(language("en").options.values()), tuple(language("en").commands)))
    words = {word for scope in scopes for word in emit.vocabulary(scope)} - {emit.UNKNOWN}
    assert len(words) > 80
    assert not sorted(word for word in words if model.vosk_model_find_word(word) < 0)


@pytest.mark.parametrize("procedure", ["flame_sensing", "control_circuit_24v", "igniter_check"])
def test_it_knows_every_word_of_every_procedure(model, procedure):
    words = words_of(load_plan(procedure, equipment("larkspur"), meter("dunlin"))) - {emit.UNKNOWN}
    assert len(words) > 80
    assert not sorted(word for word in words if model.vosk_model_find_word(word) < 0)


def test_it_knows_the_attention_word_and_the_words_of_practice(model):
    faults = tuple(catalog.faults().faults)
    words = set(phrase_of("en").split()).union(
        *(
            emit.vocabulary(scope)
            for scope in (probing_scope(faults, False), answering_scope(faults, False), confirming_scope())
        )
    )
    words.discard(emit.UNKNOWN)
    assert not sorted(word for word in words if model.vosk_model_find_word(word) < 0)


# Six voices that the model was not trained on, at their own pace in a quiet room, so that a broken
# export shows. How well it does in noise and for people is what the hearing benchmark measures.
UNSEEN = ("us-m7", "nyc-f5", "us-klatt2", "us-andy", "us-linda", "flite-kal")
SAID = (
    "ninety two point six volts", "one twenty one", "twenty seven point eight", "zero point four volts",
    "one hundred and nineteen", "eighty four point seven", "two hundred and thirty volts", "point three",
    "fifty one volts", "say again", "help", "i smell gas",
)  # fmt: skip
TALK = (
    "the neighbours are coming over for dinner", "my truck would not start", "put it behind the couch",
    "she moved to another city", "do you want some coffee", "that is a lovely garden",
)  # fmt: skip
needs_voices = pytest.mark.skipif(
    shutil.which("espeak-ng") is None or shutil.which("flite") is None, reason="needs espeak-ng and flite"
)


def most(count: int, rate: float) -> int:
    """So many of `count` go wrong at a true rate of `rate`, and more in less than one run of a hundred (binomial)."""
    bound = int(binom.ppf(0.99, count, rate))
    assert binom.sf(bound, count, rate) < 0.01
    return bound


@needs_voices
def test_quiet_readings_of_unseen_voices_are_heard_as_measured(model):
    """Measured: 7 of 72 wrong, all by flite-kal (9.7 %; 95 % interval 4.8 to 18.7 %, Wilson). Up to 13 pass."""
    pairs = [(voice, text, heard(model, VOLTS, say(text, voice))) for text in SAID for voice in UNSEEN]
    assert len(pairs) == 72
    wrong = [pair for pair in pairs if pair[1] != pair[2]]
    assert len(wrong) <= most(len(pairs), 7 / 72), wrong


@needs_voices
def test_other_talk_is_rejected_as_measured(model):
    """Measured: 0 of 36 taken; the benchmark's 0.8 % (upper end of its 95 % interval) is the rate. Up to 2 pass."""
    told = [(voice, text, heard(model, ANSWER, say(text, voice))) for text in TALK for voice in UNSEEN]
    assert len(told) == 36
    taken = [one for one in told if one[2] and emit.UNKNOWN not in one[2]]
    assert len(taken) <= most(len(told), 0.008), taken


def test_noise_without_words_gives_no_answer(model):
    rng = np.random.default_rng(1)
    for level in (0, 30, 1000):
        text = heard(model, ANSWER, rng.normal(0, level, 2 * RATE).astype(np.int16))
        assert not text or set(text.split()) == {emit.UNKNOWN}, (level, text)


def test_the_same_sound_gives_the_same_words(model):
    sound = np.random.default_rng(2).normal(0, 2000, RATE).astype(np.int16)
    assert heard(model, VOLTS, sound) == heard(model, VOLTS, sound)


def test_card_names_size_voices_and_licences():
    card = (MODEL.parent / "CARD.md").read_text(encoding="utf-8")
    for needed in ("CC0", "Apache-2.0", "BSD", "MB", "asked again", "Talk:", "Weak"):
        assert needed in card
    assert re.search(r"\d+(\.\d+)? %", card)
