"""Asks for the details of a visit by voice, before it begins: for hands that are busy.

Numbers are spelled in the radio alphabet, a few characters at a time. Each group is read back, and the whole once more
where there was more than one; nothing stands that was not agreed to, and all of it may be left out. The company's name
is no number: it comes from the settings, an option or the keyboard.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from assistant.visit.ask_details import GAS, said
from assistant.visit.details import MOST, NUMBERS, OWN, Details
from assistant.visit.loop import Ears, Mouth, Watcher
from flows.procedure.session import Say
from grammar import spelling
from grammar.answers import Answer, Choice, Command, Heard
from grammar.language import language
from grammar.scope import Option, Scope

TRIES = 3
"""So often nothing is understood before what was asked is left out."""
SKIP, DONE, ALARM, OVER = "skip", "done", "alarm", "over"


class BySpelling:
    """Asks by voice. watchers: see what is said and heard. understand: weighs what was heard. key: the language."""

    def __init__(
        self,
        ears: Ears,
        mouth: Mouth,
        watchers: Sequence[Watcher],
        understand: Callable[[Heard, Scope], Answer],
        key: str,
    ) -> None:
        """Raises KeyError where the language has no words for it (`can_ask`)."""
        spoken = said(key).spoken
        if spoken is None:
            raise KeyError(key)
        self._ears, self._mouth, self._watchers, self._understand = ears, mouth, watchers, understand
        self._key, self._words = key, spoken
        self.alarm = ""
        """The words of a gas alarm, which ends the asking; they belong into the visit."""

    def ask(self, known: Details) -> Details:
        """What was given, with `known` before it. Nothing is asked twice. Raises AssistantError."""
        wanted = [name for name in NUMBERS if name not in known.given]
        if not set(wanted) - set(OWN) or self._agreed(self._words.offer) != "yes":
            return known
        for name in wanted:
            text = self._one(self._words.ask[name])
            if text:
                known = replace(
                    known,
                    given={**known.given, name: text},
                    read_back=(*known.read_back, name),
                    spoken=(*known.spoken, name),
                )
            if self.alarm:
                break
        return known

    def _one(self, question: str) -> str:
        """One number, agreed to; "" for none."""
        got, groups, misses = "", 0, 0
        self._say(question)
        while misses < TRIES and len(got) < MOST:
            heard = self._spelled()
            if heard in (SKIP, ALARM, OVER):
                return ""
            if heard == DONE:
                agreed = "yes" if groups < 2 else self._agreed(self._back(got, self._words.whole))
                if agreed != "no":
                    return got if agreed == "yes" else ""
                got, groups = "", 0
                self._say(self._words.anew)
            elif not heard:
                misses += 1
                self._say(self._words.again)
            elif (agreed := self._agreed(self._back(heard, self._words.back))) == "yes":
                got, groups, misses = got + heard, groups + 1, 0
                self._say(self._words.more)
            elif agreed in (ALARM, OVER):
                return ""
            else:
                misses += 1
                self._say(self._words.again)
        if not self.alarm:
            self._say(self._words.left)
        return ""

    def _back(self, text: str, sentence: str) -> str:
        return sentence.format(characters=spelling.aloud(text, self._key))

    def _spelled(self) -> str:
        """Characters, SKIP, DONE, ALARM or OVER; "" for what was not understood."""
        options = (Option(SKIP, self._words.skip), Option(DONE, self._words.done))
        answer = self._hear(Scope("details/spell", None, options, (GAS,), language=self._key, spelled=True))
        if isinstance(answer, Choice):
            return answer.id.removeprefix(spelling.ID)
        return self._other(answer)

    def _agreed(self, question: str) -> str:
        """ "yes", "no", ALARM or OVER; what is not understood is asked again, and is no in the end."""
        lang = language(self._key)
        scope = Scope("details/confirm", None, (lang.option("yes"), lang.option("no")), (GAS,), language=self._key)
        for _ in range(TRIES):
            self._say(question)
            answer = self._hear(scope)
            if isinstance(answer, Choice):
                return answer.id
            if other := self._other(answer):
                return other
        return "no"

    def _other(self, answer: Answer | None) -> str:
        if answer is None:
            return OVER
        if isinstance(answer, Command) and answer.id == GAS:
            self.alarm = answer.text
            return ALARM
        return ""

    def _say(self, text: str) -> None:
        for watcher in self._watchers:
            watcher.said(Say(text, "question", "details"))
        self._mouth.say(text)

    def _hear(self, scope: Scope) -> Answer | None:
        """None where nothing more can be heard."""
        self._mouth.speak()
        for watcher in self._watchers:
            watcher.listening(scope)
        final = self._ears.hear(scope)
        if final is None:
            return None
        answer = self._understand(final.heard, scope)
        for watcher in self._watchers:
            watcher.heard(final, answer, scope)
        return answer


def can_ask(key: str) -> bool:
    """Whether details can be asked for by voice in a language."""
    return said(key).spoken is not None and spelling.can_spell(key)


def words_of(key: str) -> frozenset[str]:
    """Every word that may be said to it, for the choice of a recogniser."""
    spoken = said(key).spoken
    if spoken is None:
        return frozenset()
    return spelling.words(key) | {word for phrase in (*spoken.skip, *spoken.done) for word in phrase.split()}
