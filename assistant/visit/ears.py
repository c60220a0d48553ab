"""Where answers come from: a keyboard, or a recogniser on a stream of sound."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from assistant.hearing.audio.played import Cleaned
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Event, Final, Partial, Recognizer, some_words
from assistant.hearing.weigh.policy import weigh
from assistant.visit.typed import Lines
from grammar.answers import Heard, Unclear
from grammar.scope import Scope

BRIEF = 0.35
"""Seconds; a shorter utterance without words is a knock, not an answer (common practice)."""

WAIT = 0.7
"""Seconds listened on after sounds that mean nothing: an "uh" or a cough is followed by the answer within half a second
to one, and an utterance closes some 0.4 s after its last sound. Who was not understood is told so that much later."""
STRAY = ("nothing", "not_open", "doubtful")
"""Why an utterance may mean nothing without having been the answer."""


class TypedEars:
    """Lines from a keyboard, through the same grammar as speech."""

    def __init__(self, lines: Lines, prompt: Callable[[Scope], None] | None = None) -> None:
        self._lines = lines
        self._prompt = prompt

    def hear(self, scope: Scope) -> Final | None:
        if self._prompt:
            self._prompt(scope)
        line = self._lines.readline()
        if not line:
            return None
        text = line.strip()
        return Final(Heard(text, 1.0, alternatives=((text, 1.0),)), np.zeros(0, np.int16))

    def reopen(self) -> bool:
        return False


class StreamEars:
    """A recogniser on chunks of sound: a live microphone or a whole file.

    After sounds that mean nothing where they are heard it listens on for `wait` seconds: who coughs, says "uh", or ends
    a word to somebody else, mostly answers then.

    source: called for each utterance, gives an iterator of int16 chunks at
    16 kHz, or of what is left of them without our voice, that ends when
    nothing more can come. again: gets a lost device back.
    """

    def __init__(
        self,
        recognizer: Recognizer,
        source: Callable[[], Iterator[np.ndarray | Cleaned]],
        again: Callable[[], bool] = lambda: False,
        on_partial: Callable[[str], None] | None = None,
        wait: float = WAIT,
    ) -> None:
        self._recognizer = recognizer
        self._source = source
        self._again = again
        self._on_partial = on_partial
        self._wait = wait

    def hear(self, scope: Scope) -> Final | None:
        self._recognizer.open(scope)
        stray: Final | None = None
        left = 0
        for chunk in self._source():
            sound = (chunk.others, chunk.whole) if isinstance(chunk, Cleaned) else (chunk,)
            for final in self._finals(self._recognizer.feed(*sound)):
                if not self._is_stray(final, scope):
                    return final
                if stray is not None:
                    return stray
                stray, left = final, round(self._wait * SAMPLE_RATE) + len(sound[0])
            left -= len(sound[0])
            if stray is not None and left <= 0 and not self._recognizer.in_speech:
                return stray
        last = next(self._finals(self._recognizer.finish()), None)
        return stray if last is None or (stray is not None and self._is_stray(last, scope)) else last

    def reopen(self) -> bool:
        return self._again()

    def _finals(self, events: list[Event]) -> Iterator[Final]:
        for event in events:
            if isinstance(event, Partial) and self._on_partial:
                self._on_partial(event.text)
            if isinstance(event, Final) and (some_words(event.heard) or event.heard.seconds >= BRIEF):
                yield event

    def _is_stray(self, final: Final, scope: Scope) -> bool:
        """Whether it means nothing here and may not have been the answer. A note takes all that is said."""
        if not self._wait or "end_note" in scope.commands:
            return False
        answer = weigh(final.heard, scope)
        return isinstance(answer, Unclear) and answer.reason in STRAY and not (answer.reading or answer.between)
