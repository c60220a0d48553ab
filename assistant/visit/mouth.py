"""Where sentences and tones go: a loudspeaker, a file, both or neither."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from assistant.hearing.audio.files import Conversation
from assistant.speaking.speaker import Sink, Speaker
from assistant.speaking.voice import Voice


class SilentMouth:
    """Speaks nothing; the screen alone shows the sentences."""

    def say(self, text: str) -> None:
        """Printed by a watcher, not spoken."""

    def tone(self, name: str) -> None:
        """Not played."""

    def pace(self, rate: str) -> None:
        """Reading has its own pace."""

    def speak(self) -> None:
        """Nothing is queued."""


class VoiceMouth:
    """Speaks through a `Speaker`. before, after: called around the speaking, to shut and open the microphone."""

    def __init__(
        self,
        voice: Voice,
        sink: Sink,
        rate: str = "normal",
        before: Callable[[], None] = lambda: None,
        after: Callable[[], None] = lambda: None,
    ) -> None:
        self.speaker = Speaker(voice, sink)
        self.speaker.rate = rate
        self._before = before
        self._after = after

    def say(self, text: str) -> None:
        self.speaker.say(text)

    def tone(self, name: str) -> None:
        self.speaker.tone(name)

    def pace(self, rate: str) -> None:
        self.speaker.rate = rate

    def speak(self) -> None:
        self._before()
        try:
            self.speaker.play()
        finally:
            self._after()


class Taped:
    """A sink that lays what is played on the conversation's time line, and passes it on."""

    def __init__(self, tape: Conversation, onward: Sink | None = None) -> None:
        self._tape = tape
        self._onward = onward

    def play(self, sound: np.ndarray) -> None:
        self._tape.assistant(self._tape.seconds, sound)
        if self._onward is not None:
            self._onward.play(sound)

    def stop(self) -> None:
        if self._onward is not None:
            self._onward.stop()
