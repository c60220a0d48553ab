"""The live path without hardware: PulseAudio's null sinks as microphone and loudspeaker."""

from __future__ import annotations

import signal
import subprocess
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import fftconvolve

from assistant.hearing.audio import files
from tests.assistant.soundroom import MIC, SPEAKER, SoundRoom, stop_recording

LIMIT = 240
"""Seconds after which a process in the room is taken for hung."""

LISTEN = """
import sys
from assistant.hearing.audio.live import Microphone
from assistant.hearing.engines.base import Final
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.sphinx import SphinxEngine
from assistant.errors import DeviceLost
from grammar.scope import Asked, Scope

recognizer = Listener(SphinxEngine())
recognizer.open(Scope("supply/ask", Asked("ac_volts", "volt", 0, 300, 1), commands=("repeat", "help")))
microphone = Microphone()
microphone.open()

def finals():
    for chunk in microphone.chunks():
        if not finals.told:
            print("listening")
            finals.told = True
        for event in recognizer.feed(chunk):
            if isinstance(event, Final) and event.heard.text:
                return event.heard.text

while True:
    finals.told = False
    try:
        print("heard:", finals())
    except DeviceLost as error:
        print("lost:", error.text)
        sys.stdin.readline()
        print("back:", microphone.reopen())
    if sys.stdin.readline().strip() == "end":
        break
"""


@pytest.fixture
def speech(tmp_path):
    """A spoken sentence as a WAV file at 16 kHz."""

    def spoken(text: str):
        path = tmp_path / f"{text.replace(' ', '_')}.wav"
        subprocess.run(["espeak-ng", "-v", "en-us", "-s", "150", "-w", str(path), text], check=True)
        files.write(path, files.read(path))
        return path

    return spoken


class Watched:
    """Lines of a process in the room, with a limit in time."""

    def __init__(self, process: subprocess.Popen) -> None:
        self.process = process
        # SIGABRT makes a hung process say where it stands.
        self._alarm = threading.Timer(LIMIT, process.send_signal, (signal.SIGABRT,))
        # The tests need not wait for it at their end.
        self._alarm.daemon = True
        self._alarm.start()

    def line(self) -> str:
        line = self.process.stdout.readline().strip()
        assert line, f"the process ended or hung: {self.process.stderr.read()[-4000:]}"
        return line

    def tell(self, text: str) -> None:
        self.process.stdin.write(text + "\n")
        self.process.stdin.flush()

    def release(self) -> None:
        """It ended by itself, so nobody need wake it."""
        self._alarm.cancel()

    def end(self) -> None:
        self.tell("end")
        self.process.communicate(timeout=LIMIT)
        self.release()
        assert self.process.returncode == 0


def test_the_microphone_hears_and_comes_back_after_it_was_unplugged(sound_room: SoundRoom, speech):
    listener = Watched(sound_room.python(LISTEN))
    assert listener.line() == "listening"
    sound_room.play(speech("one hundred twenty one"))
    assert listener.line() == "heard: one hundred twenty one"

    listener.tell("go on")
    assert listener.line() == "listening"
    # With any source left PulseAudio would go on with that one, as it does on a desk.
    sound_room.take_away(SPEAKER)
    sound_room.take_away(MIC)
    assert listener.line() == "lost: The microphone is gone. Plug it in again; the visit goes on where it was."

    sound_room.give_back(SPEAKER)
    sound_room.give_back(MIC)
    listener.tell("try again")
    assert listener.line() == "back: True"
    listener.tell("go on")
    assert listener.line() == "listening"
    sound_room.play(speech("one hundred twenty one"))
    assert listener.line() == "heard: one hundred twenty one"
    listener.end()


def test_a_sound_server_that_dies_is_a_lost_microphone_and_no_hang(sound_room: SoundRoom):
    listener = Watched(sound_room.python(LISTEN))
    assert listener.line() == "listening"
    sound_room.kill()
    assert listener.line().startswith("lost: The microphone is gone.")
    listener.tell("try again")
    assert listener.line() == "back: False"
    sound_room.start()
    listener.tell("go on")
    # A closed microphone is gone as well, until it is opened again.
    assert listener.line().startswith("lost:")
    listener.tell("try again")
    assert listener.line() == "back: True"
    listener.end()


PLAY = """
import sys
import threading
from assistant.hearing.audio import files
from assistant.hearing.audio.live import Loudspeaker
from assistant.errors import DeviceLost

loudspeaker = Loudspeaker()
sound = files.read(sys.argv[1])
if sys.argv[2] == "stop":
    threading.Thread(target=lambda: (sys.stdin.readline(), loudspeaker.stop()), daemon=True).start()
try:
    print("playing")
    loudspeaker.play(sound)
    print("played")
except DeviceLost as error:
    print("lost:", error.text)
"""


def sounding(room: SoundRoom) -> None:
    """Wait until somebody plays through the loudspeaker."""
    deadline = time.monotonic() + LIMIT
    while not room.pactl("list", "short", "sink-inputs"):
        assert time.monotonic() < deadline
        time.sleep(0.05)


def until_loud(path: Path) -> None:
    """Wait until the recording that grows at `path` holds sound; a stream is there before its first sound is."""
    deadline = time.monotonic() + LIMIT
    while True:
        raw = path.read_bytes() if path.exists() else b""
        if np.abs(np.frombuffer(raw[44 : len(raw) // 2 * 2], np.int16).astype(int)).max(initial=0) > 0.05 * 32768:
            return
        assert time.monotonic() < deadline, "nothing sounds"
        time.sleep(0.02)


def recorded(room: SoundRoom, tmp_path, sound_file, how: str) -> np.ndarray:
    path = tmp_path / "recorded.wav"
    recorder = room.record(path)
    process = room.python(PLAY, str(sound_file), how)
    if how == "stop":
        until_loud(path)
    out, err = process.communicate("now\n", timeout=LIMIT)
    stop_recording(recorder)
    assert "played" in out, err
    return soundfile.read(path, dtype="float64")[0]


def test_what_the_loudspeaker_says_can_be_recorded(sound_room: SoundRoom, speech, tmp_path):
    path = speech("put the leads together")
    played = files.read(path) / 32768.0
    heard = recorded(sound_room, tmp_path, path, "whole")
    # A busy machine may lose pieces on the way to the virtual device, so each piece is looked for by itself.
    pieces = [
        piece for piece in np.split(played[: len(played) // 1600 * 1600], len(played) // 1600) if piece.std() > 0.02
    ]
    loudness = [fftconvolve(heard, piece[::-1], "valid").max() / np.dot(piece, piece) for piece in pieces]
    assert len(pieces) >= 5
    assert 0.8 < np.median(loudness) < 1.2, "the recording must hold the sentence at its own loudness"


def test_the_loudspeaker_falls_silent_at_once(sound_room: SoundRoom, tmp_path):
    path = tmp_path / "long.wav"
    files.write(path, (8000 * np.sin(2 * np.pi * 440 * np.arange(60 * 16_000) / 16_000)).astype(np.int16))
    heard = recorded(sound_room, tmp_path, path, "stop")
    loud = np.flatnonzero(np.abs(heard) > 0.05)
    assert len(loud), "it was told to stop when it sounded"
    assert (loud[-1] - loud[0]) / 16_000 < 30.0, "a minute was cut as soon as it began"


def test_a_loudspeaker_that_is_unplugged_is_lost_and_no_hang(sound_room: SoundRoom, tmp_path):
    path = tmp_path / "long.wav"
    files.write(path, np.full(40 * 16_000, 1000, np.int16))
    player = Watched(sound_room.python(PLAY, str(path), "whole"))
    assert player.line() == "playing"
    sounding(sound_room)
    sound_room.kill()
    assert player.line() == "lost: The loudspeaker is gone. Plug it in again; the visit goes on where it was."
    player.process.communicate(timeout=LIMIT)


DUPLEX = """
import sys
import threading
from assistant.hearing.audio import files
from assistant.hearing.audio.gate import Gate
from assistant.hearing.audio.live import Loudspeaker, Microphone
from assistant.hearing.engines.base import Final
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.sphinx import SphinxEngine
from grammar.scope import Asked, Scope

recognizer = Listener(SphinxEngine())
recognizer.open(Scope("supply/ask", Asked("ac_volts", "volt", 0, 300, 1), commands=("repeat",)))
gate = Gate()
microphone = Microphone(gate)
loudspeaker = Loudspeaker(gate if sys.argv[2] == "gated" else Gate())
microphone.open()
playing = threading.Thread(target=loudspeaker.play, args=(files.read(sys.argv[1]),))
playing.start()
heard, told = [], False
for chunk in microphone.chunks():
    heard += [event.heard.text for event in recognizer.feed(chunk) if isinstance(event, Final) and event.heard.text]
    if not told and not playing.is_alive() and gate.is_open and (heard or sys.argv[2] == "gated"):
        print("listening")
        told = True
    if "say again" in heard:
        break
print(heard)
"""


@pytest.mark.parametrize(
    ("how", "expected"), [("gated", "['say again']"), ("not gated", "['one hundred twenty one', 'say again']")]
)
def test_our_own_voice_is_never_an_answer(sound_room: SoundRoom, speech, how, expected):
    """The loudspeaker stands beside the microphone; without the gate the same sound is an answer.

    What a person says afterwards is heard either way, so that nothing heard is no dead microphone.
    """
    sound_room.echo()
    listener = Watched(sound_room.python(DUPLEX, str(speech("one hundred twenty one")), how))
    assert listener.line() == "listening"
    sound_room.play(speech("say again"))
    assert listener.line() == expected
    listener.process.communicate(timeout=LIMIT)
    listener.release()
