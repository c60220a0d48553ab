"""Teaching it a voice: sentences of a synthetic voice through the command, and what the learnt model does."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from assistant.cli import cli
from assistant.errors import EngineError, ModelError
from assistant.hearing.adapt import own_voice
from assistant.hearing.engines.sphinx import SphinxEngine
from audio_fixtures.voices import installed, say

VOICE = "us-m1"
pytestmark = pytest.mark.skipif(not installed(VOICE), reason="needs espeak-ng")


def quiet(seconds: float, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 4, int(seconds * 16_000)).astype(np.int16)


@pytest.fixture(scope="module")
def reading(tmp_path_factory):
    """All sentences, one after another, as a microphone would hear them."""
    parts = [
        part for number, text in enumerate(own_voice.sentences()) for part in (quiet(1.2, number), say(text, VOICE))
    ]
    path = tmp_path_factory.mktemp("reading") / "reading.flac"
    soundfile.write(path, np.concatenate([*parts, quiet(1.2)]), 16_000)
    return path


@pytest.fixture
def told(tmp_path, monkeypatch):
    monkeypatch.setattr(own_voice, "home", lambda: tmp_path / "voices")

    def run(*words: str) -> Result:
        return CliRunner().invoke(cli, ["voice", *words], standalone_mode=False)

    return run


def test_a_voice_is_learnt_listed_used_and_forgotten(told, reading):
    done = told("robin", "--audio-in", str(reading))
    assert done.exception is None, done.output
    assert "Learnt from" in done.output
    assert told().output.split() == ["robin"]
    engine = SphinxEngine(acoustic=own_voice.voice_model("robin"))
    assert "learnt voice" in engine.description
    engine.close()
    assert "forgotten" in told("robin", "--remove").output
    with pytest.raises(ModelError, match="was not learnt"):
        own_voice.voice_model("robin")


def test_the_same_reading_gives_the_same_model_and_a_better_fit(tmp_path):
    # Every other sentence: as many as are needed, and a few more.
    texts = own_voice.sentences()[::2] + own_voice.sentences()[1::4]
    said = [(text, np.concatenate([quiet(0.4), say(text, VOICE), quiet(0.4)])) for text in texts]
    first, again = (own_voice.learn(said, tmp_path / name, np.random.default_rng(1)) for name in ("a", "b"))
    assert first == again
    assert first.sentences >= own_voice.LEAST
    assert first.after > first.before + 0.5
    for part in (tmp_path / "a").iterdir():
        assert part.read_bytes() == (tmp_path / "b" / part.name).read_bytes()


def test_too_little_teaches_nothing_and_leaves_nothing(tmp_path):
    with pytest.raises(EngineError, match="are needed"):
        own_voice.learn([("one twenty one", quiet(2))] * 3, tmp_path / "none", np.random.default_rng(1))
    assert not (tmp_path / "none").exists()


def test_gas_is_heard_here_too(told, tmp_path):
    path = tmp_path / "gas.flac"
    soundfile.write(path, np.concatenate([quiet(1), say("i smell gas", VOICE), quiet(1.5)]), 16_000)
    done = told("robin", "--audio-in", str(path))
    assert "Do not touch any switch" in done.output
    assert not (own_voice.home() / "robin").exists()


def test_a_name_that_climbs_out_is_refused(told):
    assert isinstance(told("../../etc").exception, ModelError)


def test_what_is_read_takes_about_a_minute():
    spoken = sum(len(say(text, VOICE)) / 16_000 for text in own_voice.sentences())
    assert 15 < spoken < 45, "with the prompts in between, about a minute"
