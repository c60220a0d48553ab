"""Ears that also hear while we speak: a thread speaks, this one listens."""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np

from assistant.errors import DeviceLost
from assistant.hearing.audio.duplex import Duplex
from assistant.hearing.audio.echo import Canceller
from assistant.hearing.audio.files import Conversation
from assistant.hearing.audio.live import Microphone
from assistant.hearing.audio.played import Far, Played
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Final, Recognizer
from assistant.hearing.weigh.own_speech import is_own
from assistant.speaking.speaker import Item as Queued
from assistant.speaking.speaker import Sentence, Speaker
from assistant.visit.ears import StreamEars
from assistant.visit.loop import Mouth, Understand
from assistant.visit.over import BEFORE, TAIL, CutIn, Duck, GoOn, Hold, Item, Overhearing, Passed
from flows.procedure.session import Listen, Say
from grammar.scope import Scope


class HoldingSink(Protocol):
    """A loudspeaker that can wait. item: what the next sound is called."""

    item: int

    def duck(self, low: bool) -> None: ...

    def hold(self) -> None: ...

    def go_on(self) -> None: ...


class OverEars(StreamEars):
    """`StreamEars` on a microphone that stays open.

    speaker: what speaks. sink: where it speaks to.
    """

    def __init__(
        self,
        recognizer: Recognizer,
        duplex: Duplex,
        sink: HoldingSink,
        speaker: Speaker,
        again: Callable[[], bool] = lambda: False,
        on_partial: Callable[[str], None] | None = None,
    ) -> None:
        # where our own voice may come back, when an utterance ended must be known
        super().__init__(recognizer, duplex.chunks, again, on_partial, wait=0.0)
        self._recognizer, self._duplex, self._sink, self._speaker = recognizer, duplex, sink, speaker
        speaker.watch(self.going_out)
        self._hearing: Overhearing | None = None
        self._coming: list[Say] = []
        self._order = self._number = 0

    def going_out(self, queued: Queued, sound: np.ndarray) -> None:
        """From the speaking thread, before each sentence or tone is played."""
        self._number += 1
        self._sink.item = self._number
        text = queued.text if isinstance(queued, Sentence) else ""
        order = -1
        if self._order < len(self._coming) and self._coming[self._order].text == text:
            order, self._order = self._order, self._order + 1
        if self._hearing is not None:
            self._hearing.item(item_of(self._number, text, order, sound))

    def hear(self, scope: Scope) -> Final | None:
        """The next utterance, but for our own voice where it still comes back."""
        while (final := super().hear(scope)) is not None:
            end = self._duplex.position
            began = end - len(final.sound) + round(BEFORE * SAMPLE_RATE)
            if self._hearing is None or not self._duplex.said(began - round(TAIL * SAMPLE_RATE), end):
                return final
            # what a recogniser made of it without a grammar proves nothing once we are silent
            if not is_own(replace(final.heard, free=None), self._hearing.spoken(began, end)):
                return final
        return None

    def speak(
        self,
        mouth: Mouth,
        says: Sequence[Say],
        listen: Listen,
        understand: Understand,
        passed: Callable[[Passed], None] = lambda _: None,
    ) -> CutIn | None:
        """Speak what is queued in `mouth`, of which `says` are the sentences; who cut in, or None where nobody did.

        passed: is told what was heard and not acted on. Raises AssistantError of the voice and the loudspeaker.
        """
        if self._hearing is None:
            self._hearing = Overhearing(self._recognizer, self._duplex)
        hearing = self._hearing
        self._coming, self._order = list(says), 0
        hearing.begin(says, listen, understand)
        speaking = _Speaking(mouth)
        try:
            found = self._listened(hearing, speaking, passed)
        except DeviceLost:
            # the microphone: what is being said is said to its end, and whoever listens next finds out
            found = None
        except BaseException:
            # Ctrl-C among them: nobody wants to hear the rest
            self._speaker.stop()
            raise
        finally:
            if not speaking.over:
                self._sink.go_on()
            self._sink.duck(False)
            speaking.wait()
        return found

    def _listened(self, hearing: Overhearing, speaking: _Speaking, passed: Callable[[Passed], None]) -> CutIn | None:
        for chunk in self._duplex.chunks():
            for one in hearing.feed(chunk):
                match one:
                    case Duck(low):
                        self._sink.duck(low)
                    case Hold():
                        self._sink.hold()
                    case GoOn():
                        self._sink.go_on()
                    case Passed():
                        passed(one)
                    case CutIn():
                        self._speaker.stop()
                        return one
            if speaking.over:
                hearing.ended()
                if not hearing.busy:
                    return None
        return None


def item_of(number: int, text: str, order: int, sound: np.ndarray) -> Item:
    """A sentence or tone that goes out, with its closing silence left out of account."""
    loud = np.flatnonzero(sound)
    return Item(number, text, order, int(loud[-1]) + 1 if len(loud) else 0)


def duplex(microphone: Microphone, canceller: Canceller, played: Played, tape: Conversation | None) -> Duplex:
    """The microphone without our voice. tape: where both sides are laid down as they were heard and played."""
    made = Duplex(lambda: _taped(microphone.pairs(), made, tape), canceller, played)
    return made


def _taped(
    pairs: Generator[tuple[np.ndarray, Far], None, None], made: Duplex, tape: Conversation | None
) -> Iterator[tuple[np.ndarray, Far]]:
    try:
        for near, far in pairs:
            if tape is not None:
                at = made.taken / SAMPLE_RATE
                tape.technician(at, near)
                if far.sound.any():
                    tape.assistant(at, far.sound)
            yield near, far
    finally:
        pairs.close()


class _Speaking:
    """A mouth that speaks in a thread of its own."""

    def __init__(self, mouth: Mouth) -> None:
        self._mouth = mouth
        self._failed: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="speaking", daemon=True)
        self._thread.start()

    @property
    def over(self) -> bool:
        return not self._thread.is_alive()

    def wait(self) -> None:
        """Until it is over. Raises what speaking raised."""
        self._thread.join()
        if self._failed is not None:
            raise self._failed

    def _run(self) -> None:
        try:
            self._mouth.speak()
        except BaseException as error:
            self._failed = error
