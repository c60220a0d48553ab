"""What `twohands check` says, over rooms and machines that lack something."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from assistant.commands.room_check import Finding, check, dbfs, judge_room
from assistant.errors import AudioError, MissingLibrary
from tests.assistant.hearing.engines.test_engines_boundary import FakeSound


class Silent:
    name = "test voice"

    def close(self) -> None:
        pass


def noise(level_dbfs: float, seconds: float = 2.0) -> np.ndarray:
    sound = np.random.default_rng(1).normal(size=round(seconds * 16_000)) * 32_768 * 10 ** (level_dbfs / 20)
    return np.clip(sound, -32_768, 32_767).astype(np.int16)


def of(findings: list[Finding], what: str) -> Finding:
    return next(finding for finding in findings if finding.what == what)


def plugins(folder: Path) -> Path:
    lib = folder / "x86_64-linux-gnu" / "alsa-lib"
    lib.mkdir(parents=True)
    (lib / "libasound_module_pcm_pulse.so").write_bytes(b"")
    return folder


@pytest.mark.parametrize("level", [-60.0, -40.0, -20.0])
def test_the_level_is_that_of_the_noise(level):
    assert dbfs(noise(level)) == pytest.approx(level, abs=0.5)


def test_a_full_scale_square_wave_is_0_dbfs_and_a_sine_3_below():
    """By definition: the level of a sine is its amplitude over the square root of two."""
    square = np.tile(np.array([32_767, -32_767], np.int16), 8000)
    sine = (32_767 * np.sin(2 * np.pi * 440 * np.arange(16_000) / 16_000)).astype(np.int16)
    assert dbfs(square) == pytest.approx(0, abs=0.01)
    assert dbfs(sine) == pytest.approx(-3.01, abs=0.01)
    assert dbfs(np.full(100, 500, np.int16)) == -200.0, "a constant is no sound"


@pytest.mark.parametrize(
    ("level", "good", "words"),
    [
        (-60.0, True, "The room is quiet"),
        (-45.0, True, "some noise"),
        (-36.0, False, "The room is loud"),
        (-25.0, False, "too loud to be understood"),
    ],
)
def test_the_room_is_judged_in_words(level, good, words):
    finding = judge_room(noise(level))
    assert finding.good is good and words in finding.sentence
    assert f"{level:.0f} dBFS" in finding.sentence


@pytest.mark.parametrize(
    ("sound", "said"),
    [
        (np.zeros(32_000, np.int16), "may be muted"),
        (np.zeros(0, np.int16), "gave no sound"),
        (noise(3.0), "overdriven"),
    ],
)
def test_a_microphone_that_is_no_good_is_told(sound, said):
    assert said in judge_room(sound).sentence


def test_a_whole_machine(tmp_path):
    findings = check(lambda seconds: noise(-60, seconds), FakeSound(), Silent, tmp_path, plugins(tmp_path))
    assert [finding.what for finding in findings] == ["microphone", "loudspeaker", "room", "engine", "voice"]
    assert all(finding.good for finding in findings)
    assert of(findings, "microphone").sentence == "The microphone is 'desk'."
    assert "Vosk listens with the small model" in of(findings, "engine").sentence
    assert of(findings, "voice").sentence == "The voice is test voice."


def test_without_portaudio_one_sentence_and_the_command(no_portaudio, tmp_path):
    findings = check(voice=Silent, models=tmp_path)
    assert (
        of(findings, "microphone").text == "The sound library PortAudio is missing. sudo apt-get install libportaudio2"
    )
    assert not of(findings, "loudspeaker").good and of(findings, "engine").good


def test_without_a_voice_its_command():
    def none() -> Silent:
        raise MissingLibrary("The speech synthesiser eSpeak NG is missing.", "sudo apt-get install espeak-ng")

    finding = of(check(lambda seconds: noise(-60), FakeSound(), none), "voice")
    assert not finding.good and finding.text.endswith("sudo apt-get install espeak-ng")


def test_without_devices_and_without_the_plugin_both_are_told(tmp_path):
    empty = FakeSound()
    empty.query_devices = lambda: []
    findings = check(sounddevice=empty, voice=Silent, models=tmp_path, plugins=tmp_path)
    assert of(findings, "microphone").sentence == "No microphone is found."
    assert "sudo apt-get install libasound2-plugins" in of(findings, "microphone").todo
    assert [finding.what for finding in findings] == ["microphone", "loudspeaker", "engine", "voice"]
    with_plugin = check(sounddevice=empty, voice=Silent, models=tmp_path, plugins=plugins(tmp_path / "lib"))
    assert "apt-get" not in of(with_plugin, "microphone").todo


def test_a_microphone_that_fails_while_recording_is_a_finding():
    def broken(seconds: float) -> np.ndarray:
        raise AudioError("The microphone cannot be used (busy).", "Close the other program.")

    finding = of(check(broken, FakeSound(), Silent), "room")
    assert not finding.good and finding.text == "The microphone cannot be used (busy). Close the other program."
