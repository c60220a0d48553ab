"""When the microphone may be heard: never while we speak, and with push-to-talk only after a key."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

TAIL = 0.25
"""Seconds that stay shut after our own voice: what still sounds in the room and lies in the buffers."""


class Gate:
    """Half duplex in one place; the microphone asks it for each chunk.

    tail: seconds from the end of our voice to the opening. push_to_talk: open only once `key` was
    called, until `heard`. clock: seconds that only grow.
    """

    def __init__(
        self, push_to_talk: bool = False, tail: float = TAIL, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.push_to_talk = push_to_talk
        self._tail = tail
        self._clock = clock
        self._speaking = 0
        self._open_from = float("-inf")
        self._pressed = False

    @property
    def is_open(self) -> bool:
        """Whether what the microphone brings now may be heard."""
        if self._speaking or self._clock() < self._open_from:
            return False
        return self._pressed or not self.push_to_talk

    def shut(self) -> None:
        """Our voice begins. Every `shut` needs one `open`."""
        self._speaking += 1

    def open(self) -> None:
        """Our voice has ended."""
        self._speaking = max(0, self._speaking - 1)
        self._open_from = self._clock() + self._tail

    @contextmanager
    def speaking(self) -> Iterator[None]:
        """Shut for as long as the block lasts, and the tail."""
        self.shut()
        try:
            yield
        finally:
            self.open()

    def key(self) -> None:
        """A key, a headset button or a foot switch was pressed."""
        self._pressed = True

    def heard(self) -> None:
        """The utterance is over; push-to-talk wants a new key."""
        self._pressed = False
