"""Practice by voice, through the real recogniser, in a real process."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from assistant.hearing.audio.files import write
from assistant.speaking.voice import EspeakVoice
from assistant.visit.journal import read as read_journal
from audio_fixtures.rooms import in_quiet_room
from flows.judge.profiles import equipment, meter
from flows.practice.drawn import start
from flows.practice.furnace import touch as touch_furnace
from grammar.numbers import digits_spoken
from tests.assistant.practice.practising import kept, shown
from tests.flows.talking import START


def by_voice(
    folder: Path, said: list[str], *arguments: str, engine: tuple[str, ...] = ()
) -> subprocess.CompletedProcess:
    """A real process that hears `said`, spoken by eSpeak NG, through the real recogniser."""
    voice = EspeakVoice()
    try:
        pieces = [
            in_quiet_room(voice.render(text), 0.6, 1.2, np.random.default_rng(number), steps=40.0)
            for number, text in enumerate(said)
        ]
    finally:
        voice.close()
    write(folder / "trainee.wav", np.concatenate(pieces))
    command = [
        sys.executable, "-m", "assistant", "practice", "--no-voice", *engine, "--audio-in", str(folder / "trainee.wav"),
        "--record", str(folder), "--trainee", "Robin", *arguments,
    ]  # fmt: skip
    return subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)


def heard(done: subprocess.CompletedProcess) -> list[str]:
    """What each utterance was taken for: the engine's first words, or those that were chosen over them."""
    lines = [line for line in done.stdout.splitlines() if 'heard  "' in line]
    return [(re.search(r'taken as "(.+?)"', line) or re.search(r'heard  "(.+?)"', line))[1] for line in lines]


@pytest.mark.parametrize("engine", [(), ("--engine", "pocketsphinx")], ids=["both", "pocketsphinx"])
def test_an_exercise_by_voice(tmp_path, engine):
    """eSpeak NG speaks, the recogniser hears: a few tests, one mistake that is stopped, the answer and its yes."""
    said = [
        "volts from line to r",
        "ohms from burner to board ground",
        "turn the power off",
        "volts from line to neutral",
        "my answer is corroded burner ground",
        "yes",
    ]
    done = by_voice(tmp_path, said, "--free", "--fault", "burner_corroded", "--seed", "7", engine=engine)
    assert heard(done) == said, done.stdout + done.stderr
    assert (
        "Volts from hot to R. Your meter shows" in done.stdout
        and "Your answer is: a corroded burner ground. Is that right?" in done.stdout
    )
    [line] = kept(tmp_path)
    assert (
        line["mark"] == "right"
        and line["slips"] == ["ohms_power_on"]
        and line["typed"] is False
        and line["how"] == "answered"
    )
    # The display is the furnace's own at that seed, whatever way it was asked.
    volts, _ = touch_furnace(
        start(equipment("larkspur"), meter("dunlin"), 7, "easy", "burner_corroded"),
        "ac_volts",
        ("hot", "r"),
        np.random.default_rng([7, 1]),
    )
    assert shown(done.stdout)[0] == f"{volts.taken[0].value.value:.1f} volts"


def test_gas_is_heard_while_probing(tmp_path):
    done = by_voice(tmp_path, ["i smell gas"], "--free", "--seed", "7")
    assert "ALARM   Stop. Gas." in done.stdout and kept(tmp_path)[0]["how"] == "gas", done.stdout + done.stderr


def test_the_display_is_asked_for_and_read_out_by_voice(tmp_path):
    """The guided order: the furnace's question stands in the dialogue's own scope of numbers."""
    start_of_it = start(equipment("larkspur"), meter("dunlin"), 5, "easy", "rod_coated")
    volts, _ = touch_furnace(start_of_it, "ac_volts", ("hot", "neutral"), np.random.default_rng([5, 1]))
    display = f"{volts.taken[0].value.value:.1f}"
    said = [*START, "what does my meter show", f"{digits_spoken(display)} volts", "yes"]
    done = by_voice(tmp_path, said, "--fault", "rod_coated", "--seed", "5")
    assert [text.removesuffix("s") for text in heard(done)] == [text.removesuffix("s") for text in said], (
        done.stdout + done.stderr
    )
    assert shown(done.stdout) == [f"{display} volts"]
    journal, _ = read_journal(next((tmp_path / "visits").iterdir()))
    assert [event["value"] for event in journal if event["kind"] == "reading"] == [float(display)] and journal[0][
        "invented"
    ] is True
    assert kept(tmp_path)[0]["how"] == "interrupted" and kept(tmp_path)[0]["misread"] == 0
