"""What the training voices say, and that no voice is used on both sides."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from audio_fixtures.voices import _file as benchmark_voices
from grammar import emit
from grammar.errors import GrammarError
from grammar.language import language
from grammar.scope import Asked, Scope
from tests.lab.train import kaldi, phones, sentences, speakers
from tests.lab.train.graph import UNKNOWN, Phones, Prices, Search, search_graph, word_numbers


def spoken_by_training() -> set[tuple[str, str]]:
    """(engine, voice) of every training voice; espeak's by its variant and by its accent."""
    found = set()
    for engine in speakers.voice_file().engines:
        found |= {(engine.engine, voice) for voice in engine.voices}
        found |= {
            (engine.engine, accent) for accent in engine.accents if accent not in ("", "en-us", "en-us-nyc", "en-gb")
        }
    return found


def test_no_test_voice_is_trained_on():
    trained = spoken_by_training()
    assert ("espeak", "m1") in trained
    for voice in benchmark_voices().voices:
        if voice.split != "test":
            continue
        accent, _, variant = voice.voice.rpartition("+")
        assert (voice.engine, variant or voice.voice) not in trained, voice.id
        assert (voice.engine, accent) not in trained, voice.id


def test_no_speaker_of_the_test_side_is_trained_on():
    """Voices of different programs can come from one person's recordings, such as slt."""
    test_speakers = {voice.speaker for voice in benchmark_voices().voices if voice.split == "test" and voice.speaker}
    assert "slt" in test_speakers
    trained = " ".join(voice for engine, voice in spoken_by_training() if engine in ("flite", "festival"))
    assert not [one for one in test_speakers if one in trained]


def test_tuning_voices_are_not_trained_on():
    trained = spoken_by_training()
    kept = speakers.voice_file().tuning
    assert kept
    for engine, voices in kept.items():
        assert not [voice for voice in voices if (engine, voice.split("+")[-1]) in trained]


def test_every_sentence_can_be_spelled_in_phones():
    rng = np.random.default_rng(3)
    for _ in range(400):
        text = sentences.sentence(rng)
        spelled = sentences.targets(text)
        assert len(spelled) >= len(text.split()), text
        assert all(1 <= one < phones.OUTPUTS for one in spelled)


def test_sentences_repeat_with_the_seed_and_differ_without():
    def some(seed: int) -> list[str]:
        rng = np.random.default_rng(seed)
        return [sentences.sentence(rng) for _ in range(20)]

    assert some(1) == some(1)
    assert some(1) != some(2)


def test_corpus_holds_all_kinds_of_words_a_scope_offers():
    scope = Scope(
        "all", Asked("dc_amps", "microamp", -600e-6, 600e-6, 2, signed=True), commands=language("en").always_open
    )
    known = sentences.lexicon()
    assert not [word for word in emit.vocabulary(scope) if word not in known]


@pytest.mark.parametrize(
    ("value", "words"), [(7, {"seven"}), (13, {"thirteen"}), (92, {"ninety two"}), (0, {"zero", "oh"})]
)
def test_small_numbers_in_words(value: int, words: set[str]):
    rng = np.random.default_rng(0)
    assert {sentences.whole(value, rng) for _ in range(40)} == words


def test_hundreds_in_every_common_way():
    rng = np.random.default_rng(0)
    said = {sentences.whole(121, rng) for _ in range(300)}
    assert {"one hundred twenty one", "one twenty one", "one hundred and twenty one", "a hundred twenty one"} <= said


def test_no_speech_is_said_plainly(tmp_path):
    pytest.importorskip("torch")
    from tests.lab.train import shards

    with pytest.raises(GrammarError, match="No speech lies in"):
        shards.load(tmp_path)


def test_one_byte_weights_come_back_to_within_half_a_step():
    """Kaldi's CompressedMatrix: 64 steps to a column's lower quartile, 128 to the upper, 63 to the greatest."""
    weights = np.random.default_rng(0).normal(size=(300, 5))
    data = kaldi.matrix(weights)
    assert data.startswith(b"CM ") and len(data) == 3 + 16 + 5 * 8 + 1500
    back, end = kaldi.unpacked(b"before" + data + b"after", 6)
    assert end == 6 + len(data)
    for column, read in zip(weights.T, back.T, strict=True):
        edges = np.quantile(column, (0, 0.25, 0.75, 1))
        step = np.diff(edges) / (64, 128, 63)
        place = np.clip(np.searchsorted(edges, column, side="right") - 1, 0, 2)
        assert (np.abs(read - column) <= step[place] / 2 + 1e-4).all()
    assert np.allclose(back, kaldi.stored(weights), atol=1e-7)


def test_weights_that_are_all_alike_come_back_too():
    assert np.allclose(kaldi.stored(np.full((4, 3), 0.5)), 0.5, atol=1e-4)
    assert np.allclose(kaldi.stored(np.array([[1.0, -2.0]])), [[1.0, -2.0]], atol=1e-3)


def test_tuples_are_sorted_and_every_transition_has_one_id():
    """Kaldi looks tuples up by bisection and numbers transitions in their order."""
    inventory = Phones()
    assert inventory.tuples == sorted(inventory.tuples)
    assert sorted(inventory.transition.values()) == list(range(1, len(inventory.chances) + 1))


def test_the_filler_can_sound_like_any_phone_and_costs_its_price():
    search = Search(Phones(), Prices(filler=2.0, filler_start=1.5))
    search.add_filler(1)
    first = [arc for arc in search.states[search.loop] if arc.olabel == 1]
    assert {arc.cost for arc in first} == {3.5}
    assert len({arc.ilabel for arc in first}) == 2 * len(phones.PHONES)


def test_graph_file_says_how_much_it_holds():
    numbers = word_numbers(["one"])
    data = search_graph(Phones(), {"one": [("W", "AH", "N")]}, numbers, Prices())
    assert struct.unpack("<i", data[:4]) == (kaldi.FST_MAGIC,)
    assert data[8:14] == b"vector"
    assert numbers[UNKNOWN] == 1
