"""What the ears take for an answer, and what they only listen past."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.hearing.engines.base import Final, SpeechStarted
from assistant.visit.ears import StreamEars
from assistant.visit.screen import Screen
from assistant.visit.ways import other_ways, ways
from flows.procedure.session import Say
from grammar.answers import Heard
from grammar.language import language, languages
from grammar.scope import Asked, Option, Scope

CHUNK = np.zeros(1600, np.int16)
VOLTS = Scope("supply/ask", Asked("ac_volts", "volt", 0.0, 300.0, 1), (), language("en").always_open)
SURE = {"cough": "and", "answer": "one twenty one point four", "gas": "i smell gas", "other": "the [unk]"}


class Told:
    """A recogniser that ends an utterance after the chunk of that number; in_speech from the one where it began."""

    name = "told"

    def __init__(self, ends: dict[int, str], begins: dict[int, int]) -> None:
        self.ends, self.begins, self.at = ends, begins, 0

    @property
    def in_speech(self) -> bool:
        return any(begins <= self.at < end for end, begins in self.begins.items())

    def open(self, scope: Scope) -> None: ...

    def feed(self, chunk: np.ndarray, whole: np.ndarray | None = None) -> list:
        self.at += 1
        events = [SpeechStarted(0.0)] if self.at in self.begins.values() else []
        if self.at in self.ends:
            events.append(Final(Heard(SURE[self.ends[self.at]], 1.0, seconds=1.0), CHUNK))
        return events

    def finish(self) -> list:
        return []


def heard(ends: dict[int, str], begins: dict[int, int], scope: Scope = VOLTS, wait: float = 0.7) -> tuple[str, int]:
    """What was taken, and after how many chunks of a tenth of a second."""
    told = Told(ends, begins)
    final = StreamEars(told, lambda: iter([CHUNK] * 100), wait=wait).hear(scope)
    return final.heard.text, told.at


def test_an_answer_after_a_cough_is_the_answer():
    assert heard({3: "cough", 20: "answer"}, {3: 1, 20: 9}) == (SURE["answer"], 20)


def test_an_answer_is_taken_at_once():
    assert heard({3: "answer", 20: "other"}, {3: 1, 20: 5}) == (SURE["answer"], 3)
    assert heard({3: "gas"}, {3: 1}) == (SURE["gas"], 3)


def test_gas_after_a_cough_is_heard():
    assert heard({3: "cough", 20: "gas"}, {3: 1, 20: 9}) == (SURE["gas"], 20)


def test_who_says_nothing_more_is_answered_after_the_wait():
    assert heard({3: "cough"}, {3: 1}) == (SURE["cough"], 10)
    assert heard({3: "cough", 30: "answer"}, {3: 1, 30: 12}) == (SURE["cough"], 10)


def test_two_that_mean_nothing_are_not_waited_on_for_a_third():
    assert heard({3: "cough", 12: "other", 25: "answer"}, {3: 1, 12: 8, 25: 14}) == (SURE["cough"], 12)


def test_a_note_loses_nothing_that_is_said():
    memo = Scope("supply/memo", None, (), ("end_note", "gas"))
    assert heard({3: "other", 12: "answer"}, {3: 1, 12: 8}, memo) == (SURE["other"], 3)


def test_ears_that_hear_while_we_speak_do_not_wait():
    assert heard({3: "cough", 12: "answer"}, {3: 1, 12: 8}, wait=0.0) == (SURE["cough"], 3)


def test_an_answer_in_words_is_one():
    ready = Scope("get_ready/ask", None, (Option("ready", ("i am ready",)),), language("en").always_open)
    told = Told({3: "answer", 9: "cough"}, {3: 1, 9: 5})
    SURE["answer"], kept = "i am ready", SURE["answer"]
    try:
        assert StreamEars(told, lambda: iter([CHUNK] * 100)).hear(ready).heard.text == "i am ready"
    finally:
        SURE["answer"] = kept


@pytest.mark.parametrize("key", languages())
def test_other_ways_are_printed_where_they_are_spoken_of(key):
    shown: list[str] = []
    screen = Screen(shown.append, True, other_ways(key, "2026-01-01T10-00-00", push_to_talk=False))
    screen.said(Say("x", "info", "paused"))
    assert len(shown) == 1
    screen.said(Say("x", "info", "hard_to_hear"))
    assert sum("--resume 2026-01-01T10-00-00 --push-to-talk" in line for line in shown) == 1
    assert sum("--resume 2026-01-01T10-00-00 --typed" in line for line in shown) == 1
    assert key in ways().ways


def test_a_way_that_is_taken_already_is_left_out():
    assert not any("push" in line for line in other_ways("en", "v", push_to_talk=True))
