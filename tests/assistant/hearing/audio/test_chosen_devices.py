"""A microphone and a loudspeaker chosen by name, over invented devices; what is lost is looked for by its name."""

from __future__ import annotations

import threading
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from assistant.cli import cli
from assistant.commands import room_check
from assistant.errors import AudioError, DeviceLost
from assistant.hearing.audio import live
from assistant.hearing.audio.live import Loudspeaker, Microphone
from assistant.hearing.audio.portaudio import find, named
from assistant.visit import lost
from assistant.visit.assemble import Sound, assemble
from tests.assistant.hearing.audio.test_audio_room_check import Silent, noise, of, plugins
from tests.assistant.hearing.engines.test_engines_boundary import Clock, FakeSound

NAMES = ("built-in", "Headset: USB (hw:1,0)", "Camera: USB (hw:2,0)", "default")


def played(loudspeaker: Loudspeaker) -> None:
    threading.Timer(0.1, loudspeaker.stop).start()
    loudspeaker.play(np.zeros(1000, np.int16))


@pytest.mark.parametrize(
    ("name", "place"),
    [("headset", 1), ("CAMERA", 2), ("default", 3), ("2", 1), ("1", 0), (" Built-In ", 0), ("hw:2", 2)],
)
def test_a_part_of_the_name_or_the_number_is_enough(name, place):
    assert named("input", name, FakeSound(names=NAMES)).place == place


@pytest.mark.parametrize(
    ("name", "problem", "offered"),
    [
        ("usb", "'usb' names more than one microphone.", (1, 2)),
        ("trumpet", "There is no microphone 'trumpet'.", (0, 1, 2, 3)),
        ("9", "There is no microphone '9'.", (0, 1, 2, 3)),
    ],
)
def test_a_name_that_is_not_one_device_lists_those_that_are(name, problem, offered):
    with pytest.raises(AudioError) as caught:
        named("input", name, FakeSound(names=NAMES))
    assert caught.value.problem == problem
    for place, one in enumerate(NAMES):
        assert (f"{place + 1} {one}" in caught.value.remedy) == (place in offered)


def test_a_whole_name_goes_before_a_part():
    assert named("output", "default", FakeSound(names=("sysdefault", "default"))).place == 1


def test_the_default_device_is_left_to_the_sound_library():
    sound = FakeSound(names=NAMES)
    Microphone(clock=Clock(), sounddevice=sound).open()
    Microphone(device="", clock=Clock(), sounddevice=sound).open()
    assert [stream.how["device"] for stream in sound.opened] == [None, None]


def test_a_lost_microphone_is_looked_for_by_its_name_and_no_other_is_taken():
    sound = FakeSound(names=NAMES)
    microphone = Microphone(device="2", clock=Clock(), sounddevice=sound)
    microphone.open()
    sound.names = ("built-in", "Camera: USB (hw:2,0)", "default")
    assert microphone.reopen() is False, "number 2 is the camera now"
    sound.names = ("built-in", "Camera: USB (hw:2,0)", "default", "Headset: USB (hw:3,0)")
    assert microphone.reopen() is True
    assert [stream.how["device"] for stream in sound.opened] == [1, 3]


def test_a_lost_loudspeaker_is_looked_for_by_its_name():
    sound = FakeSound(names=NAMES)
    loudspeaker = Loudspeaker(device="headset", clock=Clock(), sounddevice=sound)
    played(loudspeaker)
    sound.names = ("built-in", "default")
    with pytest.raises(DeviceLost, match="The loudspeaker is gone"):
        loudspeaker.play(np.zeros(1000, np.int16))
    assert loudspeaker.reopen() is False
    sound.names = ("default", "built-in", "Headset: USB (hw:1,0)")
    assert loudspeaker.reopen() is True
    played(loudspeaker)
    assert [stream.how["device"] for stream in sound.opened] == [1, 2]


def test_a_named_loudspeaker_that_comes_back_speaks_again_and_the_microphone_stays():
    sound = FakeSound(names=NAMES)
    microphone = Microphone(device="built-in", clock=Clock(), sounddevice=sound)
    microphone.open()
    loudspeaker = Loudspeaker(device="headset", clock=Clock(), sounddevice=sound)
    loudspeaker.again = microphone.reopen
    played(loudspeaker)
    sound.fail_at, sound.error = "open", sound.PortAudioError("gone")
    with pytest.raises(DeviceLost):
        loudspeaker.play(np.zeros(1000, np.int16))
    sound.fail_at = ""
    sound.plugged = ("default", "built-in", "Headset: USB (hw:4,0)")
    played(loudspeaker)
    assert [stream.how["device"] for stream in sound.opened] == [0, 1, 1, 2]
    sound.opened[2].bring(np.ones(480, np.int16))
    assert len(next(microphone.chunks())) == 480
    played(loudspeaker)
    assert len(sound.opened) == 5, "what is not lost is not looked for anew"


def test_a_visit_that_lost_its_named_loudspeaker_keeps_its_microphone(monkeypatch):
    sound = FakeSound(names=NAMES)
    monkeypatch.setattr(live, "library", lambda: sound)
    monkeypatch.setattr(live, "PATIENCE", 0.2)
    monkeypatch.setattr(lost, "LOOKED_FOR_EVERY", 0.0)
    monkeypatch.setattr(lost, "names_elsewhere", lambda kind: sound.plugged or sound.names)
    with ExitStack() as stack:
        wanted = Sound(spoken=True, engine="pocketsphinx", microphone="built-in", loudspeaker="headset")
        _, mouth, _ = assemble(stack, wanted, "en", frozenset())
        for plugged in (("built-in",), ("default", "built-in", "Headset: USB (hw:4,0)")):
            mouth.say("Ready")
            with pytest.raises(DeviceLost):  # the invented device never takes a sound
                mouth.speak()
            sound.plugged = plugged
        mouth.say("Ready")
        with pytest.raises(DeviceLost):
            mouth.speak()
    # microphone, loudspeaker; the loudspeaker tried again where it was, the microphone left alone; then both where
    # they are now
    assert [stream.how["device"] for stream in sound.opened] == [0, 1, 1, 1, 2]


def test_of_two_of_one_name_the_number_chooses_and_stays():
    sound = FakeSound(names=("stick", "stick"))
    loudspeaker = Loudspeaker(device="2", clock=Clock(), sounddevice=sound)
    played(loudspeaker)
    played(loudspeaker)
    assert [stream.how["device"] for stream in sound.opened] == [1, 1]


def test_the_rate_is_that_of_the_named_device():
    sound = FakeSound(names=NAMES, rates=(44_100,), own_rate=44_100)
    Microphone(device="camera", clock=Clock(), sounddevice=sound).open()
    assert (sound.opened[0].how["device"], sound.opened[0].how["samplerate"]) == (2, 44_100)


def test_check_lists_every_device_and_takes_the_named_ones(tmp_path: Path):
    sound = FakeSound(names=NAMES)
    findings = room_check.check(
        lambda seconds: noise(-60, seconds), sound, Silent, tmp_path, plugins(tmp_path), "headset", "camera"
    )
    assert of(findings, "microphone").sentence == "The microphone is 'Headset: USB (hw:1,0)'."
    assert of(findings, "loudspeaker").sentence == "The loudspeaker is 'Camera: USB (hw:2,0)'."
    assert of(findings, "microphone").devices == (
        "1 built-in (default)",
        "2 Headset: USB (hw:1,0)",
        "3 Camera: USB (hw:2,0)",
        "4 default",
    )
    assert [one.place for one in find("input", sound)] == [0, 1, 2, 3]


def test_the_check_command_prints_the_list_and_a_name_that_is_not_there(monkeypatch):
    monkeypatch.setattr(room_check, "library", lambda: FakeSound(names=NAMES))
    done = CliRunner().invoke(cli, ["check", "--microphone", "trumpet"], standalone_mode=False)
    assert done.return_value == 1, done.output
    assert "MISS  microphone   There is no microphone 'trumpet'. Give more of the name" in done.output
    assert "\n                   3 Camera: USB (hw:2,0)\n" in done.output
    assert "room" not in [line[6:10] for line in done.output.splitlines()], "no other microphone is listened to"


@pytest.mark.parametrize(
    "words",
    [
        ["run", "--typed", "--voice"],
        ["practice", "--typed", "--voice", "--seed", "1"],
        ["voice", "somebody"],
        ["run", "--no-voice", "--microphone", "trumpet"],
        ["practice", "--no-voice", "--microphone", "trumpet"],
    ],
)
def test_a_name_that_is_not_there_is_told_before_anything_begins(words, monkeypatch, tmp_path: Path):
    monkeypatch.setattr(live, "library", lambda: FakeSound(names=NAMES))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    done = CliRunner().invoke(cli, [*words, "--loudspeaker", "trumpet"], standalone_mode=False)
    assert isinstance(done.exception, AudioError), done.output
    what = "microphone" if "--microphone" in words else "loudspeaker"
    assert done.exception.problem == f"There is no {what} 'trumpet'."
    assert "2 Headset: USB (hw:1,0)" in done.exception.remedy
    assert not list(tmp_path.rglob("journal.jsonl"))
