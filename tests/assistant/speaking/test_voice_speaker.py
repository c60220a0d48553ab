"""The queue of sentences and tones, with a sink that the test controls."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from assistant.errors import VoiceError
from assistant.speaking import Speaker
from assistant.speaking.speaker import Sentence, ToneItem
from assistant.speaking.tones import tone

WAIT = 30


class Spelled:
    """A voice whose sound is its text, one sample a letter; the first sample is the rate."""

    name = "spelled"
    rates = ("slow", "normal", "fast")

    def render(self, text: str, rate: str = "normal") -> np.ndarray:
        if text == "unspeakable":
            raise VoiceError("The voice could not speak.", "Try again.")
        return np.array([self.rates.index(rate), *map(ord, text)], np.int16)

    def close(self) -> None: ...


class Collected:
    """A sink that keeps what was played, in order."""

    def __init__(self) -> None:
        self.pieces: list[np.ndarray] = []

    def play(self, sound: np.ndarray) -> None:
        self.pieces.append(sound)

    def stop(self) -> None:
        """Nothing sounds, so nothing has to stop."""


def words(sink: Collected) -> list[str]:
    return ["".join(map(chr, piece[1:])) for piece in sink.pieces]


class Blocking(Collected):
    """A loudspeaker whose sound lasts until it is stopped."""

    def __init__(self) -> None:
        super().__init__()
        self.started = threading.Event()
        self.silenced = threading.Event()

    def play(self, sound: np.ndarray) -> None:
        super().play(sound)
        self.silenced.clear()
        self.started.set()
        assert self.silenced.wait(WAIT)

    def stop(self) -> None:
        self.silenced.set()


def test_items_sound_in_order():
    sink = Collected()
    speaker = Speaker(Spelled(), sink)
    speaker.say("one")
    speaker.tone("heard")
    speaker.say("two")
    assert not sink.pieces, "nothing sounds before play"
    assert speaker.play() is True
    assert [len(piece) for piece in sink.pieces] == [4, len(tone("heard")), 4]
    assert np.array_equal(sink.pieces[1], tone("heard"))
    assert len(np.concatenate(sink.pieces)) == 8 + len(tone("heard"))


def test_each_item_is_told_before_it_sounds():
    sink, told = Collected(), []
    speaker = Speaker(Spelled(), sink, on_item=lambda item, sound: told.append((item, len(sound), len(sink.pieces))))
    speaker.say("one")
    speaker.tone("passed")
    speaker.play()
    assert told == [(Sentence("one", "normal"), 4, 0), (ToneItem("passed"), len(tone("passed")), 1)]


def test_rates_hold_from_the_next_sentence_on():
    sink = Collected()
    speaker = Speaker(Spelled(), sink)
    speaker.say("a")
    assert speaker.slower() == "slow" and speaker.slower() == "slow"
    speaker.say("b")
    speaker.rate = "fast"
    speaker.say("c")
    speaker.say("d", rate="slow")
    speaker.play()
    assert [int(piece[0]) for piece in sink.pieces] == [1, 0, 2, 0]


@pytest.mark.parametrize(
    "wrong",
    [lambda one: one.say("x", rate="warp"), lambda one: setattr(one, "rate", "warp"), lambda one: one.tone("bang")],
)
def test_unknown_names_are_refused_when_queued(wrong):
    sink = Collected()
    speaker = Speaker(Spelled(), sink)
    with pytest.raises(VoiceError, match="Choose one of"):
        wrong(speaker)
    assert speaker.play() is True and not sink.pieces


def test_stop_is_heard_in_mid_sentence_and_forgets_the_queue():
    sink, results = Blocking(), []
    speaker = Speaker(Spelled(), sink)
    speaker.say("a long sentence")
    speaker.say("never")
    thread = threading.Thread(target=lambda: results.append(speaker.play()))
    thread.start()
    assert sink.started.wait(WAIT)
    speaker.stop()
    thread.join(WAIT)
    assert results == [False] and words(sink) == ["a long sentence"]
    assert speaker.play() is True, "the queue is empty"
    assert words(sink) == ["a long sentence"]


def test_a_stop_just_before_the_sound_begins_is_not_lost():
    """The key comes after the last look at the flag and before the loudspeaker has the sound."""

    class Late(Blocking):
        def __init__(self) -> None:
            super().__init__()
            self.asked = threading.Event()

        def play(self, sound: np.ndarray) -> None:
            self.started.set()
            assert self.asked.wait(WAIT)  # the first request to stop finds nothing sounding
            self.silenced.clear()
            assert self.silenced.wait(WAIT)

        def stop(self) -> None:
            super().stop()
            self.asked.set()

    sink = Late()
    speaker = Speaker(Spelled(), sink)
    speaker.say("hello")
    thread = threading.Thread(target=speaker.play)
    thread.start()
    assert sink.started.wait(WAIT)
    speaker.stop()
    thread.join(WAIT)
    assert not thread.is_alive()


def test_stop_from_the_playing_thread_returns():
    sink = Collected()
    speaker = Speaker(Spelled(), sink, on_item=lambda item, sound: speaker.stop())
    speaker.say("one")
    speaker.say("two")
    assert speaker.play() is False
    assert words(sink) == ["one"]


def test_it_speaks_again_after_a_stop():
    sink = Collected()
    speaker = Speaker(Spelled(), sink)
    speaker.say("old")
    speaker.stop()
    speaker.say("new")
    assert speaker.play() is True and words(sink) == ["new"]


def test_a_failed_sentence_is_told_and_the_rest_stays():
    sink = Collected()
    speaker = Speaker(Spelled(), sink)
    for text in ("one", "unspeakable", "three"):
        speaker.say(text)
    with pytest.raises(VoiceError):
        speaker.play()
    assert speaker.play() is True
    assert words(sink) == ["one", "three"]
