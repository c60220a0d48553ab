"""What a decoder is asked for, and when."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.hearing.audio import files
from assistant.hearing.engines.base import Final
from assistant.hearing.engines.listening import Listener
from audio_fixtures.rooms import in_quiet_room
from audio_fixtures.voices import say
from grammar.answers import Heard


class Deaf:
    """Notes how much sound it was asked to decide on."""

    def __init__(self, eager: bool) -> None:
        self.eager = eager
        self.decided: list[int] = []

    def begin(self) -> None: ...

    def hear(self, sound: np.ndarray) -> str:
        return ""

    def conclude(self, sound: np.ndarray) -> Heard:
        self.decided.append(len(sound))
        return Heard(f"decision {len(self.decided)}", engine="deaf")


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    return in_quiet_room(say("ninety three point four volts", "us-m7"), 1.0, 1.0, np.random.default_rng(2))


@pytest.mark.parametrize("eager", [True, False])
def test_an_eager_decoder_has_decided_when_the_utterance_closes(sound, eager):
    decoder = Deaf(eager)
    listener = Listener(decoder)
    before, finals = [], []
    for chunk in files.chunks(sound, 512):
        known = len(decoder.decided)
        found = [one for one in listener.feed(chunk) if isinstance(one, Final)]
        if found:
            before.append(known)
            finals += found
    assert len(finals) == 1
    if eager:
        assert before == [len(decoder.decided)], "nothing was left to decide"
        assert finals[0].heard.text == f"decision {len(decoder.decided)}", "the last pause counts"
        assert decoder.decided[-1] < len(finals[0].sound)
    else:
        assert before == [0] and decoder.decided == [len(finals[0].sound)]


def test_what_was_decided_before_a_drop_is_forgotten(sound):
    decoder = Deaf(eager=True)
    listener = Listener(decoder)
    place = 0
    while not decoder.decided:
        listener.feed(sound[place : place + 512])
        place += 512
    listener.drop()
    assert [one for one in listener.feed(np.zeros(32_000, np.int16)) if isinstance(one, Final)] == []
