"""Speaking over the program's voice on the live path: its loudspeaker beside its microphone, looped in PulseAudio."""

from __future__ import annotations

import importlib.util
import os
import time

import numpy as np
import pytest

from assistant.hearing.audio import files
from assistant.visit.journal import read
from audio_fixtures.rooms import in_quiet_room, level
from audio_fixtures.voices import say
from tests.assistant.soundroom import SPEAKER, SoundRoom, stop_recording
from tests.assistant.visit.test_live_visit import PROCEDURE, RunningVisit

LONG = "Red lead on hot, black lead on neutral. Mind the sharp edges of the sheet metal, and take your time. Tell me"
ROOM = """
import subprocess, sys
import numpy as np
from assistant.hearing.rooms import reverb
click = np.concatenate([np.full(1, 8000), np.zeros(7999)]).astype(np.int16)
taps = reverb(click, sys.argv[1], np.random.default_rng(1))
taps = taps / 8000
how = ("--raw", "--rate=16000", "--channels=1", "--format=s16le", "--latency-msec=20")
out = subprocess.Popen(["parecord", "--device=speaker.monitor", *how], stdout=subprocess.PIPE)
back = subprocess.Popen(["paplay", "--device=mic", *how], stdin=subprocess.PIPE)
heard = np.zeros(len(taps) - 1)
while block := out.stdout.read(960):
    heard = np.concatenate([heard, np.frombuffer(block, np.int16)])
    echo = np.convolve(heard[-(480 + len(taps) - 1):], taps, "valid")[-480:]
    heard = heard[-len(taps) - 480 :]
    back.stdin.write(np.clip(echo, -32768, 32767).astype(np.int16).tobytes())
    back.stdin.flush()
"""
"""A loudspeaker and a microphone in one room: what the one says comes back in the other, with the room's echo."""
PERSON_DBFS = -16.0
TRIES = 4
"""A busy machine loses pieces of what is played; then a person says it again."""
QUIET = "TWOHANDS_QUIET_MACHINE"
needs_cancellers = pytest.mark.skipif(
    not os.environ.get(QUIET) or not all(importlib.util.find_spec(one) for one in ("pyaec", "pywebrtc_audio")),
    reason=f"in real time, on a machine that does nothing else: {QUIET}=1 pytest -n 0 {__name__.replace('.', '/')}.py",
)


@pytest.fixture
def clip(tmp_path):
    def made(text: str):
        path = tmp_path / f"{text.replace(' ', '_')}.wav"
        spoken = level(say(text, "flite-rms"), PERSON_DBFS)
        files.write(path, in_quiet_room(spoken, 0.05, 0.3, np.random.default_rng(0)))
        return path

    return made


def begun(sound_room: SoundRoom, tmp_path, *options: str) -> RunningVisit:
    """A visit whose first step takes some ten seconds to say."""
    (tmp_path / "two.yaml").write_text(PROCEDURE.replace("Red lead on hot, black lead on neutral. Tell me", LONG))
    code = "import sys; from assistant.cli import main; main(sys.argv[1:])"
    where = ("--procedure", str(tmp_path / "two.yaml"), "--visits", str(tmp_path / "visits"))
    return RunningVisit(sound_room.python(code, "run", *where, *options))


def record(tmp_path) -> list[dict]:
    return read(next((tmp_path / "visits").iterdir()))[0]


def kinds(events: list[dict], *wanted: str) -> list[dict]:
    return [one for one in events if one["kind"] in wanted]


def said_over(visit: RunningVisit, room: SoundRoom, sound, then: str, step: str) -> None:
    """Speak while the step is being said, until it is understood."""
    for _ in range(TRIES):
        visit.until(step)
        time.sleep(3.0)
        room.play(sound)
        if then in visit.until(then, "(listening)")[-1]:
            return
        # nothing came of it, so the person asks for the step once more, in silence
        room.play(sound)
    raise AssertionError(f"{then} never came; the last lines were {visit.lines[-8:]}")


@needs_cancellers
def test_who_speaks_over_its_voice_is_heard_and_the_voice_is_not(sound_room: SoundRoom, clip, tmp_path):
    """The loudspeaker is as loud in the microphone as what is played."""
    sound_room.echo()
    visit = begun(sound_room, tmp_path, "--interrupt", "auto")
    visit.until("You may speak while it speaks")
    said_over(visit, sound_room, clip("say again"), "repeat", "Tell me the volts")
    said_over(visit, sound_room, clip("i smell gas"), "ALARM", "Tell me the volts")
    time.sleep(1.0)
    visit.process.kill()
    heard = kinds(record(tmp_path), "heard")
    assert [one["answer"].get("id") for one in heard] == ["repeat"] * (len(heard) - 1) + ["gas"]
    assert heard[-1]["over"]["line"] == "supply/say/0"
    assert kinds(record(tmp_path), "cut"), "what was not said to its end is on the record"


@needs_cancellers
@pytest.mark.parametrize(("gain", "delay", "room"), [(0, 20, ""), (-12, 100, ""), (-24, 250, ""), (-6, 20, "basement")])
def test_nobody_speaks_and_nothing_is_answered(sound_room: SoundRoom, tmp_path, gain, delay, room):
    """The whole step is said, and then it listens. gain: dB; delay: ms."""
    sound_room.pactl("set-sink-volume", SPEAKER, f"{gain}dB")
    through = [sound_room.python(ROOM, room)] if room else []
    if not room:
        sound_room.echo(delay)
    visit = begun(sound_room, tmp_path, "--interrupt", "auto")
    visit.until("(listening)")
    time.sleep(1.5)
    visit.process.kill()
    for one in through:
        one.kill()
    assert kinds(record(tmp_path), "said"), "something was said"
    for one in kinds(record(tmp_path), "talked_over"):
        print(one)
    found = kinds(record(tmp_path), "heard", "cut")
    assert found == [], [{name: one.get(name) for name in ("text", "answer", "over", "lines")} for one in found]


def test_with_a_headset_nothing_is_taken_out_and_everything_is_heard_at_once(sound_room: SoundRoom, clip, tmp_path):
    visit = begun(sound_room, tmp_path, "--interrupt", "headset")
    visit.until("You may speak while it speaks")
    said_over(visit, sound_room, clip("i smell gas"), "ALARM", "Tell me the volts")
    visit.process.kill()
    assert kinds(record(tmp_path), "heard")[-1]["over"]["line"] == "supply/say/0"


def test_switched_off_it_is_deaf_while_it_speaks(sound_room: SoundRoom, clip, tmp_path):
    visit = begun(sound_room, tmp_path, "--interrupt", "off")
    visit.until("Tell me the volts")
    time.sleep(3.0)
    sound_room.play(clip("i smell gas"))
    visit.until("(listening)")
    visit.process.kill()
    assert kinds(record(tmp_path), "heard") == []


def test_its_voice_falls_silent_soon_after_the_word(sound_room: SoundRoom, clip, tmp_path):
    """Measured at the loudspeaker, from the end of the person's word; printed, and held to a second on a busy
    machine."""
    spoken = tmp_path / "spoken.wav"
    recorder = sound_room.record(spoken)
    visit = begun(sound_room, tmp_path, "--interrupt", "headset")
    visit.until("Tell me the volts")
    time.sleep(3.0)
    sound_room.play(clip("i smell gas"))
    ended = time.time()
    visit.until("ALARM")
    told = time.time()
    visit.process.kill()
    stop_recording(recorder)
    print(f"the alarm was told {1000 * (told - ended):.0f} ms after the sound of 'I smell gas' and its silence")
    assert told - ended < 1.5
