"""Talk by ears and mouth about a state that a pure function moves on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from assistant.errors import DeviceLost
from assistant.visit.loop import PACE, Ears, Mouth, Understand, Watcher
from flows.procedure.session import Effect, Listen, Pace, Say, Tone
from grammar.answers import Answer
from grammar.scope import Scope

State = TypeVar("State")
Step = Callable[[State, Answer], tuple[State, list[Effect]]]


@dataclass
class Talk(Generic[State]):
    """state: where it stands, also when it was broken off. step: the pure function."""

    ears: Ears
    mouth: Mouth
    understand: Understand
    watchers: Sequence[Watcher]
    state: State
    step: Step

    def run(self, effects: Sequence[Effect]) -> bool:
        """Go on until nothing is to be heard any more; False when the ears ran dry. Raises AssistantError."""
        while (scope := self.perform(effects)) is not None:
            final = self._hear(scope)
            if final is None:
                return False
            answer = self.understand(final.heard, scope)
            for watcher in self.watchers:
                watcher.heard(final, answer, scope)
            self.state, effects = self.step(self.state, answer)
        return True

    def perform(self, effects: Sequence[Effect]) -> Scope | None:
        """Say and sound what is wanted; the scope to listen for, if any."""
        scope = None
        for effect in effects:
            match effect:
                case Say(text):
                    self.mouth.say(text)
                    for watcher in self.watchers:
                        watcher.said(effect)
                case Tone(name):
                    self.mouth.tone(name)
                case Pace(rate):
                    self.mouth.pace(PACE[rate])
                case Listen(wanted):
                    scope = wanted
        self.mouth.speak()
        return scope

    def _hear(self, scope: Scope):
        for watcher in self.watchers:
            watcher.listening(scope)
        try:
            return self.ears.hear(scope)
        except DeviceLost:
            if not self.ears.reopen():
                raise
            return self.ears.hear(scope)
