"""Half duplex, push-to-talk, and keys from a real pseudo-terminal."""

from __future__ import annotations

import os
import pty
import termios
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.hearing.audio.gate import TAIL, Gate
from assistant.hearing.audio.keys import BOUNCE, Keys

PATIENCE = 120
"""Seconds after which a thread is taken for hung."""


class Clock:
    """looks: how often it was looked at; a test can wait for the next time."""

    def __init__(self) -> None:
        self.now = 0.0
        self.looks = threading.Semaphore(0)

    def __call__(self) -> float:
        now = self.now
        self.looks.release()
        return now


def test_the_gate_is_shut_while_we_speak_and_a_quarter_second_after():
    clock = Clock()
    gate = Gate(clock=clock)
    assert gate.is_open
    with gate.speaking():
        assert not gate.is_open
        clock.now += 10
        assert not gate.is_open
    assert not gate.is_open
    clock.now += TAIL - 0.01
    assert not gate.is_open
    clock.now += 0.02
    assert gate.is_open


@given(st.lists(st.sampled_from(["shut", "open", "wait", "key", "heard"]), max_size=40), st.booleans())
def test_the_gate_is_never_open_while_somebody_speaks(steps, push_to_talk):
    clock = Clock()
    gate, speaking, ended, pressed = Gate(push_to_talk, clock=clock), 0, float("-inf"), False
    for step in steps:
        if step == "shut":
            gate.shut()
            speaking += 1
        elif step == "open":
            gate.open()
            speaking, ended = max(0, speaking - 1), clock.now
        elif step == "wait":
            clock.now += 0.2
        elif step == "key":
            gate.key()
            pressed = True
        else:
            gate.heard()
            pressed = False
        expected = speaking == 0 and clock.now >= ended + TAIL and (pressed or not push_to_talk)
        assert gate.is_open == expected


def test_an_error_while_speaking_opens_the_gate_again():
    clock = Clock()
    gate = Gate(clock=clock)
    with pytest.raises(RuntimeError), gate.speaking():
        raise RuntimeError
    clock.now += 1
    assert gate.is_open


class Pressed:
    """Counts presses, and lets a test wait for one."""

    def __init__(self) -> None:
        self.count = 0
        self._event = threading.Event()

    def __call__(self) -> None:
        self.count += 1
        self._event.set()

    def wait(self) -> None:
        assert self._event.wait(PATIENCE)
        self._event.clear()


@pytest.fixture
def terminal():
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "rb", buffering=0) as file:
        yield ours, file
    os.close(ours)


def test_any_key_counts_once_and_the_terminal_is_given_back(terminal):
    ours, file = terminal
    before = termios.tcgetattr(file)
    clock, pressed = Clock(), Pressed()
    with Keys(pressed, file, clock):
        assert not termios.tcgetattr(file)[3] & termios.ECHO, "keys are not shown"
        for key in (b" ", b"a", b"\x1b[25~", b"\n"):
            clock.now += 1
            os.write(ours, key)
            pressed.wait()
        assert pressed.count == 4, "a function key of a foot switch sends several bytes but is one press"
    assert termios.tcgetattr(file) == before


def test_a_switch_that_bounces_is_one_press(terminal):
    ours, file = terminal
    clock, pressed = Clock(), Pressed()
    with Keys(pressed, file, clock):
        os.write(ours, b" ")
        pressed.wait()
        assert clock.looks.acquire(timeout=PATIENCE)
        clock.now += BOUNCE / 2
        os.write(ours, b" ")
        # The second was taken in, for the clock was looked at once more.
        assert clock.looks.acquire(timeout=PATIENCE)
        clock.now += 1
        os.write(ours, b" ")
        pressed.wait()
    assert pressed.count == 2


def test_input_that_ends_is_no_press_and_no_hang():
    out, into = os.pipe()
    os.close(into)
    pressed = Pressed()
    with os.fdopen(out, "rb") as file:
        keys = Keys(pressed, file)
        keys.open()
        keys.close()
    assert pressed.count == 0
