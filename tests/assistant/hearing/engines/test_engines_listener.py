"""What an engine is asked for, and when; and that nothing but the listener cuts the stream."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import grammar.emit
from assistant.errors import EngineError
from assistant.hearing.audio import files
from assistant.hearing.engines import listener as listener_module
from assistant.hearing.engines.base import Final, Partial
from assistant.hearing.engines.listener import Listener
from audio_fixtures.rooms import in_quiet_room
from audio_fixtures.voices import say
from grammar.answers import Heard
from grammar.scope import Scope

SCOPE = Scope("ready")


class Deaf:
    """Notes how much sound it was asked to decide on."""

    name = description = "deaf"

    def __init__(self, eager: bool) -> None:
        self.eager = eager
        self.decided: list[int] = []
        self.closed = False

    def use(self, grammars) -> None: ...

    def open(self, scope: Scope) -> None:
        if scope.name == "unheard of":
            raise EngineError("That cannot be heard.", "Ask for something else.")

    def begin(self) -> None: ...

    def hear(self, sound: np.ndarray) -> str:
        return f"{len(sound)} samples"

    def conclude(self, sound: np.ndarray) -> Heard:
        self.decided.append(len(sound))
        return Heard(f"decision {len(self.decided)}", engine="deaf")

    def close(self) -> None:
        self.closed = True


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    return in_quiet_room(say("ninety three point four volts", "us-m7"), 1.0, 1.0, np.random.default_rng(2))


@pytest.mark.parametrize("eager", [True, False])
def test_an_eager_decoder_has_decided_when_the_utterance_closes(sound, eager):
    decoder = Deaf(eager)
    listener = Listener(decoder)
    listener.open(SCOPE)
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


def test_what_was_decided_before_a_scope_is_opened_is_forgotten(sound):
    decoder = Deaf(eager=True)
    listener = Listener(decoder)
    listener.open(SCOPE)
    place = 0
    while not decoder.decided:
        listener.feed(sound[place : place + 512])
        place += 512
    listener.open(SCOPE)
    assert [one for one in listener.feed(np.zeros(32_000, np.int16)) if isinstance(one, Final)] == []


def events(listener: Listener, sound: np.ndarray) -> list:
    listener.open(SCOPE)
    return [event for chunk in files.chunks(sound, 512) for event in listener.feed(chunk)] + listener.finish()


def test_without_partial_words_the_finals_are_the_same(sound):
    loud, quiet = (events(Listener(Deaf(eager=True), partials=partials), sound) for partials in (True, False))
    assert any(isinstance(one, Partial) for one in loud) and not any(isinstance(one, Partial) for one in quiet)
    assert [one.heard for one in loud if isinstance(one, Final)] == [
        one.heard for one in quiet if isinstance(one, Final)
    ]


def test_nothing_is_heard_before_a_scope_is_open_nor_after_one_that_could_not_be_opened(sound):
    listener = Listener(Deaf(eager=False))
    with pytest.raises(EngineError, match="no grammar yet"):
        listener.feed(sound)
    listener.open(SCOPE)
    with pytest.raises(EngineError, match="cannot be heard"):
        listener.open(Scope("unheard of"))
    with pytest.raises(EngineError, match="no grammar yet"):
        listener.feed(sound)
    assert listener.finish() == []


def test_other_grammars_close_the_open_scope(sound):
    listener = Listener(Deaf(eager=False))
    listener.open(SCOPE)
    listener.use(grammar.emit)
    with pytest.raises(EngineError, match="no grammar yet"):
        listener.feed(sound)


def test_what_is_closed_stays_closed():
    engine = Deaf(eager=False)
    listener = Listener(engine)
    listener.close()
    assert engine.closed
    with pytest.raises(EngineError, match="was closed"):
        listener.open(SCOPE)


def test_only_the_listener_cuts_the_stream():
    """One endpointer in the product: engines decode what they are given."""
    folder = Path(listener_module.__file__).parents[1]
    made = re.compile(r"(?<![.\w])Endpointer\(")
    assert [path.name for path in folder.rglob("*.py") if made.search(path.read_text(encoding="utf-8"))] == [
        "listener.py"
    ]
