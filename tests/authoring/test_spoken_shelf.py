"""`twohands procedure say` makes sounds that visits speak with."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.authoring.errors import AuthoringError
from assistant.authoring.lines import lines_of
from assistant.authoring.sounds import natural_voice, speak
from assistant.cli import main
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking import chosen, piper
from assistant.speaking.natural import NaturalVoice
from assistant.speaking.settings import settings
from assistant.speaking.shelf import open_shelf
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan


class Hum:
    """Half a second for every sentence, and the pause of every voice."""

    name = "hum"

    def render(self, text: str, rate: str = "normal") -> np.ndarray:
        time = np.arange(SAMPLE_RATE // 2) / SAMPLE_RATE
        sound = 8000 * np.sin(2 * np.pi * 300 * time)
        return np.concatenate([sound, np.zeros(round(settings().pause * SAMPLE_RATE))]).astype(np.int16)

    def close(self) -> None: ...


class Silent(Hum):
    def render(self, text: str, rate: str = "normal") -> np.ndarray:
        return np.zeros(0, np.int16)


def test_every_line_of_a_procedure_is_found_by_a_visit(template, tmp_path):
    plan = load_plan(str(template), equipment("larkspur"), meter("dunlin"))
    count, seconds = speak(plan, Hum(), tmp_path / "mine")
    shelf = open_shelf(tmp_path / "mine")
    assert count == len(shelf.index.takes) and seconds == pytest.approx(count / 2, rel=0.01)
    voice = NaturalVoice([shelf], Silent())
    assert all(voice.has(line.text) for line in lines_of(plan))
    assert len(voice.render(lines_of(plan)[0].text)) > SAMPLE_RATE // 2


def test_spoken_again_it_takes_the_place_of_what_was_there(template, tmp_path):
    plan = load_plan(str(template), equipment("larkspur"), meter("dunlin"))
    first = speak(plan, Hum(), tmp_path / "mine")
    assert speak(plan, Hum(), tmp_path / "mine") == first
    assert len(list((tmp_path / "mine").iterdir())) == 2


def test_without_a_natural_voice_it_says_what_to_install(template, monkeypatch, capsys):
    monkeypatch.setattr(piper, "installed", lambda: False)
    with pytest.raises(SystemExit) as ended:
        main(["procedure", "say", str(template)])
    told = capsys.readouterr().err
    assert ended.value.code == 1
    assert "not installed" in told and "pip install 'twohands[voice]'" in told


def test_a_language_without_one_says_what_will_speak():
    with pytest.raises(AuthoringError, match="no natural voice for the language 'es'") as told:
        natural_voice("es")
    assert "--into" in told.value.remedy


def test_the_command_writes_where_visits_look(template, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(piper, "installed", lambda: True)
    monkeypatch.setattr(piper.PiperVoice, "render", Hum.render)
    monkeypatch.setattr(chosen, "own_sounds", lambda: tmp_path)
    with pytest.raises(SystemExit) as ended:
        main(["procedure", "say", str(template)])
    assert ended.value.code == 0
    assert "Visits speak with them" in capsys.readouterr().out
    assert [shelf.index.voice for shelf in chosen.shelves("en", tmp_path)][1:] == [piper.NAME]
