"""A model folder gets new words without training, and hears with them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import vosk
from click.testing import CliRunner

from assistant.hearing.engines.looks import looks
from audio_fixtures.voices import installed, say
from tests.lab.train import vocabulary
from tests.lab.train.graph import Prices

MODEL = Path(__file__).parents[2] / "grammar" / "model" / "twohands-en"


@pytest.fixture
def folder(tmp_path) -> Path:
    return Path(shutil.copytree(MODEL, tmp_path / "model"))


def test_a_new_word_is_known_and_heard(folder, tmp_path):
    vosk.SetLogLevel(-1)
    assert vosk.Model(str(folder)).vosk_model_find_word("hippopotamus") < 0
    (tmp_path / "new.txt").write_text("say: the hippopotamus is back\n")
    done = CliRunner().invoke(vocabulary.main, [str(folder), "--words", str(tmp_path / "new.txt")])
    assert done.exit_code == 0, done.output
    model = vosk.Model(str(folder))
    assert model.vosk_model_find_word("hippopotamus") >= 0 and model.vosk_model_find_word("interrupter") >= 0
    if not installed("us-m1"):
        pytest.skip("espeak-ng is not installed")
    recogniser = vosk.KaldiRecognizer(model, 16_000, json.dumps(["hippopotamus", "interrupter", "volts", "[unk]"]))
    room = np.random.default_rng(0).normal(0, 3, 6000).astype(np.int16)
    recogniser.AcceptWaveform(looks(np.concatenate([room, say("hippopotamus", "us-m1"), room]))[0].tobytes())
    assert json.loads(recogniser.FinalResult())["text"] == "hippopotamus"


def test_the_manifest_tells_how_many_words(folder):
    vocabulary.write_graph(folder, vocabulary.lexicon(0), Prices(0.3, 0.0, 3.2))
    words = (folder / "graph" / "words.txt").read_text().splitlines()
    assert len(words) == len(vocabulary.lexicon(0)) + 2 == len({line.split()[0] for line in words})


def test_words_of_a_file_without_a_pronunciation_are_left_out(tmp_path):
    (tmp_path / "some.txt").write_text("Interrupter xqzt")
    assert vocabulary.words_in([tmp_path / "some.txt"]) == {"interrupter", "xqzt"}
    assert "xqzt" not in vocabulary.lexicon(0, {"xqzt"})
