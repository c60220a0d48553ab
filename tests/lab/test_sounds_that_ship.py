"""Which of the shipped sentences have a sound, and how the others are put together."""

from __future__ import annotations

import warnings

import pytest

from assistant.speaking.joined import cover
from assistant.speaking.shelf import SHIPPED, open_shelf
from assistant.speaking.words import words_of
from tests.lab.voice import texts
from tests.lab.voice.listen import plain, understood
from tests.lab.voice.pieces import gaps, often, parts, to_be_said, wanted, whole
from tests.lab.voice.sounds import to_speak, without_sound

OFTEN = 0.97
"""Of the sentences that are said in most visits; a changed wording may wait for its sound, but not many."""

SHOWN = 3
"""Sentences without a sound that are named in the warning; `python -m tests.lab sounds` lists all."""


@pytest.fixture(scope="module")
def shelf():
    return open_shelf(SHIPPED / "en")


def test_what_is_said_in_most_visits_has_a_sound(shelf):
    missing = without_sound(shelf)
    if missing:
        first = "; ".join(f"{one.place}: {one.text}" for one in missing[:SHOWN])
        warnings.warn(f"{len(missing)} sentences have no sound, among them: {first}", stacklevel=1)
    wanting = [one for one in missing if often(one.place)]
    count = sum(often(one.place) for one in texts.whole())
    assert count > 400
    assert len(wanting) <= (1 - OFTEN) * count, "Run: python -m tests.lab sounds"


@pytest.fixture(scope="module")
def keys():
    """All pieces that are to be spoken."""
    return {key for one in wanted() for key in one.keys}


def test_every_sentence_of_the_talk_is_to_be_spoken(keys):
    assert all(cover(words_of(one.text), keys) for one in texts.whole())


def test_every_line_with_gaps_can_be_filled(keys):
    for text in to_be_said():
        assert cover(words_of(text), keys), text


def test_a_sentence_with_brackets_keeps_those_parts_and_their_marks():
    one = parts("[It may be] [a bad plug], or no fault.")
    assert list(one.keys) == ["it may be …", "… a bad plug,"]
    assert list(whole("Say: dial is on A C volts.").keys) == [
        "say: dial is on A C volts.",
        "say:",
        "dial is on A C volts.",
    ]
    assert any("I asked for …" in one.keys for one in gaps())


def test_nothing_is_spoken_twice():
    takes = to_speak()
    keys = [key for one in takes for key in one.keys]
    assert len(keys) == len(set(keys)) and len({one.words for one in takes}) == len(takes)


def test_what_is_heard_is_written_like_what_is_said():
    assert plain("It's 12.5 micro-amps A/C.") == plain("it's twelve point five microamps a c")
    assert understood(plain("keep the dial on A C volts"), plain("Keep the dial on AC bolts.")) == 6
    assert understood(["one"], []) == 0
