"""A named device that goes away and comes back: one rule, with invented devices and with PulseAudio's."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from assistant.visit.lost import LOOKED_FOR_EVERY, Devices
from tests.assistant.hearing.audio.test_live import Watched
from tests.assistant.hearing.engines.test_engines_boundary import Clock
from tests.assistant.soundroom import MIC, SPEAKER, SoundRoom


class Part:
    """A microphone and a loudspeaker that count how often they are opened and closed."""

    def __init__(self) -> None:
        self.reopened = self.closed = 0

    def reopen(self) -> bool:
        self.reopened += 1
        return True

    def close(self) -> None:
        self.closed += 1

    def is_among(self, names) -> bool:
        return "bench" in names


@pytest.fixture
def names() -> list[str]:
    return ["default"]


@pytest.fixture
def parts(names) -> tuple[Devices, Part, Part, Clock, list[str]]:
    microphone, loudspeaker, clock, told = Part(), Part(), Clock(), []
    devices = Devices(microphone, loudspeaker, lambda: told.append("anew"), lambda: names, clock)
    return devices, microphone, loudspeaker, clock, told


def test_a_loudspeaker_that_is_away_costs_the_microphone_nothing(parts):
    devices, microphone, loudspeaker, clock, told = parts
    for _ in range(20):
        assert devices.loudspeaker_again() is False
        clock.now += 1.0
    assert (microphone.reopened, loudspeaker.closed, told) == (0, 0, [])


def test_one_that_is_back_is_opened_anew_once_and_the_microphone_with_it(parts, names):
    devices, microphone, loudspeaker, clock, told = parts
    assert devices.loudspeaker_again() is False
    names.append("bench")
    assert devices.loudspeaker_again() is False, "it was looked for a moment ago"
    clock.now += LOOKED_FOR_EVERY
    assert devices.loudspeaker_again() is True
    assert (microphone.reopened, loudspeaker.closed, told) == (1, 1, ["anew"])


def test_a_microphone_that_is_away_is_tried_again_each_time(parts):
    devices, microphone, loudspeaker, _, _ = parts
    assert devices.again() and devices.again()
    assert (microphone.reopened, loudspeaker.closed) == (2, 2), "no stream outlives the sound library"


NAMED = """pcm.bench { type pulse device speaker hint { show on description "Bench" } }
pcm.boom { type pulse device mic.monitor hint { show on description "Boom" } }
"""

TALK = """
import sys
import time
import numpy as np
from assistant.errors import DeviceLost
from assistant.hearing.audio.live import Loudspeaker, Microphone
from assistant.hearing.audio.played import Played
from assistant.hearing.audio.steady import SteadyLoudspeaker
from assistant.visit import lost

lost.LOOKED_FOR_EVERY = 2.0
played = Played()
microphone = Microphone(device="boom", played=played)
loudspeaker = SteadyLoudspeaker(played, None, "bench") if sys.argv[1] == "steady" else Loudspeaker(None, "bench")
devices = lost.Devices(microphone, loudspeaker)
loudspeaker.again = devices.loudspeaker_again
opened = 0
looked_for = microphone._looked_for
def counted():
    global opened
    opened += 1
    return looked_for()
microphone._looked_for = counted
microphone.open()
for line in sys.stdin:
    if line.strip() == "say":
        try:
            loudspeaker.play(np.full(4800, 3000, np.int16))
            print("said", opened)
        except DeviceLost:
            print("lost", opened)
            time.sleep(0.5)
    elif line.strip() == "hear":
        try:
            print("heard", len(next(microphone.chunks())) > 0)
        except DeviceLost:
            print("deaf", devices.again())
"""


@pytest.fixture
def named_room(sound_room: SoundRoom) -> SoundRoom:
    """A room whose microphone and loudspeaker have names of their own."""
    path = sound_room.folder / "asound.conf"
    path.write_text(path.read_text() + NAMED)
    return sound_room


def talking(room: SoundRoom, kind: str) -> tuple[Watched, Callable[[str], str]]:
    """The process, and how to tell it to say or hear something; its answer ends with how often the microphone was
    opened."""
    talk = Watched(room.python(TALK, kind))

    def tell(word: str) -> str:
        talk.tell(word)
        return talk.line()

    assert tell("say") == "said 1" and tell("hear") == "heard True"
    # with any other device left, PulseAudio would go on with that one
    room.take_away(SPEAKER)
    room.take_away(MIC)
    return talk, tell


def until(answer: str, tell: Callable[[str], str], word: str, tries: int) -> list[str]:
    answers: list[str] = []
    while len(answers) < tries and answer not in answers:
        answers.append(tell(word).rpartition(" ")[0] if word == "say" else tell(word))
    assert answer in answers, answers[-5:]
    return answers


@pytest.mark.parametrize("kind", ["plain", "steady"])
def test_a_named_loudspeaker_comes_back_and_the_microphone_hears_all_the_while(named_room, kind):
    talk, tell = talking(named_room, kind)
    until("lost", tell, "say", 3)
    named_room.give_back(MIC)
    until("deaf True", tell, "hear", 500)
    until("heard True", tell, "hear", 5)
    answers = [tell("say").split() for _ in range(6)]
    assert all(what == "lost" for what, _ in answers), answers
    # the plugin lists the name whether the device is there or not, so that it is tried; but not before each sentence
    assert int(answers[-1][1]) - int(answers[0][1]) <= 3, answers
    assert tell("hear") == "heard True"
    named_room.give_back(SPEAKER)
    until("said", tell, "say", 12)
    assert tell("hear") == "heard True"
    talk.process.kill()
    talk.release()


def test_a_named_microphone_comes_back_and_the_loudspeaker_with_it(named_room):
    talk, tell = talking(named_room, "steady")
    named_room.give_back(SPEAKER)
    named_room.give_back(MIC)
    # what came before it went away is still heard first
    until("deaf True", tell, "hear", 500)
    until("heard True", tell, "hear", 5)
    until("said", tell, "say", 12)
    talk.process.kill()
    talk.release()
