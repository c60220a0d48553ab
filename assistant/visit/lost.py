"""A device that went away, and the one rule for getting it back.

The sound library lists devices only when it starts, and starting it anew closes every stream. So a loudspeaker that is
away is looked for in a process of its own, now and then; only when it is there again are both devices opened anew.
A microphone that is away has nothing to lose, so it is opened anew at once.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Protocol

from assistant.hearing.audio.opening import is_opening
from assistant.hearing.audio.portaudio import names_elsewhere

LOOKED_FOR_EVERY = 5.0
"""Seconds between two looks for a loudspeaker that is away."""


class OpenMicrophone(Protocol):
    def reopen(self) -> bool: ...


class NamedLoudspeaker(Protocol):
    def close(self) -> None: ...

    def is_among(self, names: Sequence[str]) -> bool: ...


class Devices:
    """Microphone and loudspeaker of one talk. forget: called when both were opened anew.

    names: the loudspeakers that are plugged in now, found without touching any stream. clock: seconds that only grow.
    """

    def __init__(
        self,
        microphone: OpenMicrophone,
        loudspeaker: NamedLoudspeaker | None = None,
        forget: Callable[[], None] = lambda: None,
        names: Callable[[], Sequence[str]] = lambda: names_elsewhere("output"),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._microphone, self._loudspeaker, self._forget = microphone, loudspeaker, forget
        self._names, self._clock = names, clock
        self._next = float("-inf")

    def again(self) -> bool:
        """Open both anew; whether the microphone is there. Not while a device still hangs in opening."""
        if is_opening():
            return False
        if self._loudspeaker is not None:
            # a stream that the sound library has closed must not be touched any more
            self._loudspeaker.close()
        self._forget()
        return self._microphone.reopen()

    def loudspeaker_again(self) -> bool:
        """Whether a loudspeaker that was away is there again, and was opened anew for; the microphone goes on where
        it is not."""
        if self._loudspeaker is None or self._clock() < self._next:
            return False
        found = self._loudspeaker.is_among(self._names())
        self._next = self._clock() + LOOKED_FOR_EVERY
        return found and self.again()
