"""Which voice `--voice`, `--no-voice` and the settings choose, and whether anything is spoken."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from assistant import settings as kept
from assistant.cli import cli
from assistant.visit.assemble import Sound, sound_options


@pytest.fixture(autouse=True)
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "settings.yaml"
    monkeypatch.setenv(kept.PLACE, str(path))
    return path


def chosen(*words: str, default: str | None = None) -> Sound:
    found: list[Sound] = []

    @click.command()
    @sound_options
    def speaking(sound: Sound) -> None:
        found.append(sound)

    done = CliRunner().invoke(speaking, words, default_map={"voice": default} if default else {})
    assert done.exit_code == 0, done.output
    return found[0]


@pytest.mark.parametrize(
    ("words", "default", "voice", "aloud"),
    [
        ((), None, "natural", True),
        ((), "espeak", "espeak", True),
        (("--typed",), "espeak", "espeak", False),
        (("--typed", "--voice"), None, "natural", True),
        (("--voice", "--typed"), "espeak", "espeak", True),
        (("--typed", "--voice", "espeak"), None, "espeak", True),
        (("--voice", "natural"), "espeak", "natural", True),
        (("--no-voice",), "natural", "natural", False),
    ],
)
def test_the_voice_and_whether_it_speaks(words, default, voice, aloud):
    sound = chosen(*words, default=default)
    assert (sound.voice, sound.aloud) == (voice, aloud)


def test_a_voice_that_is_not_there_is_told_with_those_that_are():
    done = CliRunner().invoke(cli, ["run", "--voice", "opera"])
    assert done.exit_code == 2 and "'opera' is none of natural, espeak" in done.output


def test_the_settings_take_a_voice_and_refuse_another(file):
    assert CliRunner().invoke(cli, ["settings", "voice", "espeak"], standalone_mode=False).return_value == 0
    assert kept.defaults("run") == kept.defaults("practice") == {"voice": "espeak"}
    with pytest.raises(kept.SettingsError, match="voice cannot be 'opera'"):
        kept.set_one("voice", "opera")
    assert "voice: espeak" in file.read_text(encoding="utf-8")
