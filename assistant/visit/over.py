"""Hearing while we speak: what may be said over our voice, and what becomes of it.

Nothing here knows a thread or a clock: sound goes in, with what was played at the same time, and what is to be done
comes out. `assistant.visit.over_ears` does it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from assistant.hearing.audio.duplex import Duplex
from assistant.hearing.audio.echo import NoCanceller
from assistant.hearing.audio.played import Cleaned
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import Final, Over, Partial, Recognizer, SpeechStarted, some_words
from assistant.hearing.weigh.own_speech import ALIKE, PLAINLY_DB, Spoken, has_number, is_own, said_words, words_between
from flows.procedure.session import Listen, Say
from flows.talk.cut import NEVER_CUT
from grammar.answers import Answer, Choice, Command, Heard, Reading, Unclear
from grammar.build import open_commands
from grammar.language import language
from grammar.parse import understand
from grammar.scope import Scope

Understand = Callable[[Heard, Scope], Answer]
OPEN = ("gas", "stop", "pause", "repeat", "resume", "end_note")
"""Commands that are heard over our voice, where they are open at all; everything else waits until we are done."""
BEFORE = 0.38
"""Seconds from the beginning of an utterance, as the endpointer cuts it, to its first sound."""
SLACK = 0.9
"""Seconds before an utterance in which our words may still be what was heard: the way through the air, and what
the time of a word in a sentence is uncertain by."""
REACTION = 0.1
"""Seconds after the end of a sentence before which nobody can have answered it."""
TAIL = 0.6
"""Seconds after our last sound in which it may still come back."""
ANSWERED = 1.0
"""Seconds before the end of what we say; who begins then means to answer, and is asked again when not understood."""
BLUR = 0.05
"""Share of a sentence by which the time of a word in it is uncertain."""
KEPT = 8
"""Sentences and tones of before that are remembered."""
MOST_HOLDS = 3
"""Times that the same sentences are held for words that turn out to be none; then only the whole utterance counts."""
LEAST_LETTERS = 4
"""Letters that a beginning must have: "i" and "say" alone come out of any noise."""
CONFIRMS = ("readback",)
"""Roles of sentences that say a value first and then only ask whether it is right."""


@dataclass(frozen=True)
class Item:
    """A sentence or tone on its way out. order: its place among what was to be said, -1 for a tone. samples: of its
    sound up to its last that is not silent."""

    number: int
    text: str
    order: int
    samples: int


@dataclass(frozen=True)
class Hold:
    """Fall silent: this may be an answer."""


@dataclass(frozen=True)
class Duck:
    """Somebody speaks, or makes a noise: go on softly, or (`low` False) at full loudness again."""

    low: bool


@dataclass(frozen=True)
class GoOn:
    """It was none: say the sentence again from its beginning."""


@dataclass(frozen=True)
class CutIn:
    """The technician spoke, and it counts. scope: what it was heard under. cut: sentences that were not said to
    their end."""

    final: Final
    answer: Answer
    scope: Scope
    cut: tuple[str, ...]


@dataclass(frozen=True)
class Passed:
    """Words were heard over our voice and are not acted on. why: "too early", "own voice", "not open"."""

    final: Final
    why: str


Happened = Duck | Hold | GoOn | CutIn | Passed


def over_scope(scope: Scope) -> Scope:
    """What may be said over our voice where `scope` will be open: the alarm, stop, wait, say again, and the answer."""
    return replace(scope, commands=tuple(one for one in scope.commands if one in OPEN))


class Overhearing:
    """One stretch of speaking after the other, heard along."""

    def __init__(self, recognizer: Recognizer, duplex: Duplex) -> None:
        self._recognizer, self._duplex = recognizer, duplex
        self._understand: Understand = understand
        self._items: dict[int, Item] = {}
        self._says: list[Say] = []
        self._listen = Listen(Scope("closed"))
        self._scope = self._listen.scope
        self._base = 0
        self._began: int | None = None
        self._held = self._ducked = False
        self._holds = 0
        self._ended: int | None = None
        self._done: dict[int, int] = {}

    def begin(self, says: Sequence[Say], listen: Listen, understand: Understand) -> None:
        """We begin to say `says`. understand: from heard words to an answer. Raises EngineError."""
        self._understand = understand
        self._says, self._listen, self._scope = list(says), listen, over_scope(listen.scope)
        self._began, self._held, self._ducked, self._ended = None, False, False, None
        self._holds = 0
        self._done.clear()
        # what sounded last may still come back, but belongs to none of these sentences
        self._items = {number: replace(one, order=-1) for number, one in list(self._items.items())[-KEPT:]}
        self._base = self._duplex.position
        self._recognizer.open(self._scope)

    def item(self, item: Item) -> None:
        """This is what goes out next."""
        self._items[item.number] = item

    def ended(self) -> None:
        """All was said."""
        if self._ended is None:
            self._ended = self._duplex.position

    @property
    def busy(self) -> bool:
        """Whether somebody is in the middle of an utterance."""
        return self._began is not None and self._recognizer.in_speech

    def feed(self, chunk: Cleaned) -> list[Happened]:
        """The next sound of the duplex. What is to be done, in its order."""
        self._mark()
        happened: list[Happened] = []
        for event in self._recognizer.feed(chunk.others, chunk.whole):
            if isinstance(event, SpeechStarted):
                self._began = self._base + round((event.at + BEFORE) * SAMPLE_RATE)
                if not self._ducked and self._ended is None and self._is_other(self._began):
                    self._ducked = True
                    happened.append(Duck(True))
            elif isinstance(event, Partial) and self._may_hold and self._opens(event.text):
                self._held = True
                self._holds += 1
                happened.append(Hold())
            elif isinstance(event, Final):
                happened += self._decided(event)
        if self._ducked and not self._recognizer.in_speech:
            self._ducked = False
            happened.append(Duck(False))
        return happened

    @property
    def _may_hold(self) -> bool:
        return not self._held and self._ended is None and self._holds < MOST_HOLDS

    def _is_other(self, began: int) -> bool:
        """Whether the sound since then is plainly not our own."""
        here = self._duplex.position
        return self._duplex.left_db(began, here) > PLAINLY_DB and self._duplex.own_share(began, here) < ALIKE

    def _decided(self, final: Final) -> list[Happened]:
        began = self._began if self._began is not None else self._duplex.position
        self._began = None
        held, self._held = self._held, False
        answer = self._understand(final.heard, self._scope)
        why = self._refused(final.heard, answer, began)
        if why == "too early" and self._ended is not None:
            # it began too early to count and we have nothing more to say, so that it is asked again
            answer, why = Unclear("nothing", ""), ""
        if not why and self._doubtful_alarm(final.heard, answer, began):
            # our own voice may have made it: we fall silent and ask, rather than clear the house for it
            answer = Unclear("nothing", "")
        if not why:
            final = replace(final, over=self._over(began))
            return [CutIn(final, answer, self._scope, self._cut())]
        told: list[Happened] = [GoOn()] if held else []
        if some_words(final.heard) and said_words(final.heard.text):
            told.append(Passed(replace(final, over=self._over(began)), why))
        return told

    def _refused(self, heard: Heard, answer: Answer, began: int) -> str:
        """Why it does not count; "" where it does."""
        spoken = self.spoken(began, self._duplex.position)
        gas = isinstance(answer, Command) and answer.id == "gas"
        if is_own(heard, spoken, gas):
            return "own voice"
        if not gas and not self._trusted(began):
            return "own voice"
        if gas:
            return "too early" if any(one.line == "alarm" for one in self._says) and self._ended is None else ""
        if isinstance(answer, Command) or (isinstance(answer, Choice) and answer.id in self._listen.at_once):
            return "too early" if self._number_over_number(answer, spoken) else ""
        if isinstance(answer, Unclear):
            late = self._ended is not None and began > self._ended - ANSWERED * SAMPLE_RATE
            if late and said_words(heard.text) and not self._too_early(began):
                return ""
            return "" if self._may_be_command(heard) else "not open"
        return "too early" if self._too_early(began) or self._number_over_number(answer, spoken) else ""

    def _may_be_command(self, heard: Heard) -> bool:
        """Whether a command was heard, though in doubt: we fall silent and ask, rather than talk on over it."""
        meant = understand(replace(heard, engine="partial"), self._scope)
        return isinstance(meant, Command) or (isinstance(meant, Choice) and meant.id in self._listen.at_once)

    def _doubtful_alarm(self, heard: Heard, answer: Answer, began: int) -> bool:
        """Whether an alarm over our voice was heard by one recogniser alone, or may be our own."""
        if not (isinstance(answer, Command) and answer.id == "gas"):
            return False
        spoken = self.spoken(began, self._duplex.position)
        if not spoken.words:
            return False
        if not self._trusted(began):
            return True
        lang = language(self._scope.language)
        alarms = {word for phrase in lang.command("gas").spoken for word in phrase.split()} & set(
            said_words(heard.text)
        )
        telling = {word for word in alarms if len(word) >= LEAST_LETTERS - 1}
        others = [heard.free] if heard.second is None else [heard.free, heard.second.text]
        listened = [set(said_words(one)) for one in others if one is not None]
        return is_own(heard, spoken) or bool(listened and not any(telling & one for one in listened))

    def _trusted(self, began: int) -> bool:
        """Whether our voice is taken out at all now; on a machine that loses pieces of sound it is not."""
        return self._duplex.canceller.name == NoCanceller.name or self._duplex.is_clean(began)

    def _number_over_number(self, answer: Answer, spoken: Spoken) -> bool:
        """A number that is heard while we say one may be ours."""
        number = isinstance(answer, Reading) or (isinstance(answer, Choice) and answer.correction is not None)
        return number and has_number(spoken.words, self._scope.language)

    def _too_early(self, began: int) -> bool:
        """Whether something that an answer has to wait for had not been said yet."""
        latest = began - REACTION * SAMPLE_RATE
        for number, say in enumerate(self._says):
            last = number == len(self._says) - 1
            must = not last or self._listen.whole or say.role in (*NEVER_CUT, *CONFIRMS)
            if must and self._done.get(number, latest + 1) > latest:
                return True
        return False

    def _opens(self, text: str) -> bool:
        """Whether the words so far are open, so that we should fall silent and listen to the rest."""
        began = self._began if self._began is not None else self._duplex.position
        words = " ".join(said_words(text))
        if not words:
            return False
        heard = Heard(words, engine="partial")
        answer = understand(heard, self._scope)
        if isinstance(answer, Unclear) and answer.reading is None and not answer.between:
            return self._begins(words) and not is_own(heard, self.spoken(began, self._duplex.position))
        return not self._refused(heard, self._taken(answer), began)

    def _begins(self, words: str) -> bool:
        """Whether an open command, or an answer that counts at once, begins with these words: enough of them to fall
        silent for."""
        if len(words) < LEAST_LETTERS:
            return False
        lang = language(self._scope.language)
        phrases = [one for id in open_commands(self._scope) for one in lang.command(id).spoken]
        phrases += [
            one for option in self._scope.options if option.id in self._listen.at_once for one in option.phrases
        ]
        return any(one.startswith(words + " ") for one in phrases)

    def _taken(self, answer: Answer) -> Answer:
        return answer.reading if isinstance(answer, Unclear) and answer.reading is not None else answer

    def _mark(self) -> None:
        """Note which sentences have been said to their end by now."""
        for span in self._duplex.said(self._duplex.position - SAMPLE_RATE, self._duplex.position):
            item = self._items.get(span.item)
            if item is None or item.order < 0 or item.order in self._done:
                continue
            enough = item.samples * _value_ends(self._says[item.order])
            if span.place + span.length >= enough:
                self._done[item.order] = span.start + max(0, round(enough) - span.place)

    def _cut(self) -> tuple[str, ...]:
        """Sentences that had not been said to their end, and now are not."""
        if self._ended is not None:
            return ()
        return tuple(one.line for order, one in enumerate(self._says) if order not in self._done and one.line)

    def spoken(self, began: int, end: int) -> Spoken:
        """What we said around an utterance between two positions."""
        ranges: dict[int, tuple[int, int]] = {}
        spans = self._duplex.said(began - round(SLACK * SAMPLE_RATE), end)
        for span in spans:
            first, last = ranges.get(span.item, (span.place, 0))
            ranges[span.item] = (min(first, span.place), max(last, span.place + span.length))
        words: list[str] = []
        for number, (first, last) in ranges.items():
            item = self._items.get(number)
            if item is not None and item.samples:
                words += words_between(
                    item.text, self._scope.language, first / item.samples - BLUR, last / item.samples + BLUR
                )
        if not spans:
            return Spoken(tuple(dict.fromkeys(words)))
        left, share = self._duplex.left_db(began, end), self._duplex.own_share(began, end)
        return Spoken(tuple(dict.fromkeys(words)), left, share)

    def _over(self, began: int) -> Over | None:
        """What we were saying when the utterance began."""
        spans = self._duplex.said(began - round(TAIL * SAMPLE_RATE), began + 1)
        if not spans:
            return None
        item = self._items.get(spans[-1].item)
        line = self._says[item.order].line if item is not None and item.order >= 0 else ""
        return Over(line, (spans[-1].place + spans[-1].length) / SAMPLE_RATE)


def _value_ends(say: Say) -> float:
    """Share of a sentence after which it says nothing new: of a read-back all but its closing question."""
    if say.role not in CONFIRMS:
        return 1.0
    before, _, _question = say.text.rstrip().rpartition(". ")
    return len(before) / len(say.text) if before else 1.0
