"""Words, phones and the graph that Vosk searches.

A phone has three states, as in CTC: sounding (output of the phone, repeated),
a blank after it (output 0, optional) and the end. `[unk]` is two or more of
any phones, each at a price; it catches talk that is not in the grammar.
Transition ids follow the sorted tuples, as in Kaldi; an arc into a state
carries the forward id, the state's loop the loop id.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tests.lab.train.kaldi import Arc, topology, transition_model, vector_fst
from tests.lab.train.phones import INDEX, PHONES

SILENCE = 1
UNKNOWN = "[unk]"
EPSILON = "<eps>"
FILLER = "UNK"
POSITIONS = {"B": "begin", "I": "internal", "E": "end", "S": "singleton"}

SPEECH_ENTRY = ((0, ((0, 0.4), (1, 0.3), (2, 0.3))), (1, ((1, 0.5), (2, 0.5))), (-1, ()))
SILENCE_ENTRY = ((0, ((0, 0.5), (1, 0.5))), (-1, ()))


@dataclass(frozen=True)
class Prices:
    """Costs (natural logarithms) of the graph.

    pause: to say or not to say a silence at a word's edge. blank: each 30 ms of
    blank within a word. filler: each phone of `[unk]`; filler_start: to begin it.
    """

    pause: float = 0.7
    blank: float = 0.1
    filler: float = 1.5
    filler_start: float = 0.0


class Phones:
    """Phone ids by position in the word, and the transition ids of each."""

    def __init__(self) -> None:
        self.ids: dict[tuple[str, str], int] = {}
        for name in PHONES:
            for position in POSITIONS:
                self.ids[name, position] = SILENCE + 1 + len(self.ids)
        for position in "BIE":
            self.ids[FILLER, position] = SILENCE + 1 + len(self.ids)
        self.last = SILENCE + len(self.ids)
        tuples = [(SILENCE, 0, 0, 0)]
        for (name, _), phone in self.ids.items():
            outputs = range(1, len(PHONES) + 1) if name == FILLER else [INDEX[name]]
            tuples += [(phone, 0, output, output) for output in outputs] + [(phone, 1, 0, 0)]
        self.tuples = sorted(tuples)
        self.transition: dict[tuple[int, int, int, int], int] = {}
        """(phone, state, output, next state) -> transition id."""
        self.chances: list[float] = []
        for phone, state, output, _ in self.tuples:
            entry = SILENCE_ENTRY if phone == SILENCE else SPEECH_ENTRY
            for to, chance in entry[state][1]:
                self.chances.append(chance)
                self.transition[phone, state, output, to] = len(self.chances)

    def model(self) -> bytes:
        """The transition model of final.mdl."""
        ids = list(range(1, self.last + 1))
        entry_of = [-1, 1, *[0] * (self.last - 1)]
        return transition_model(topology(ids, entry_of, [SPEECH_ENTRY, SILENCE_ENTRY]), self.tuples, self.chances)

    def names(self) -> str:
        """The file phones.txt."""
        rows = [
            (EPSILON, 0),
            ("SIL", SILENCE),
            *((f"{name}_{position}", number) for (name, position), number in self.ids.items()),
        ]
        return "".join(f"{name} {number}\n" for name, number in rows)

    def boundaries(self) -> str:
        """The file word_boundary.int."""
        rows = [f"{number} {POSITIONS[position]}\n" for (_, position), number in self.ids.items()]
        return f"{SILENCE} nonword\n" + "".join(rows)


class Search:
    """The graph HCL: transition ids in, words out, a loop over all words."""

    def __init__(self, phones: Phones, prices: Prices) -> None:
        self.phones, self.prices = phones, prices
        self.states: list[list[Arc]] = []
        start, self.loop, before, self.pause = (self._state() for _ in range(4))
        rest = self.phones.transition[SILENCE, 0, 0, 0]
        rest_out = self.phones.transition[SILENCE, 0, 0, 1]
        self._arc(start, self.loop, 0, cost=prices.pause)
        self._arc(start, before, rest_out, cost=prices.pause)
        for silence in (before, self.pause):
            self._arc(silence, silence, rest)
            self._arc(silence, self.loop, 0)

    def _state(self) -> int:
        self.states.append([])
        return len(self.states) - 1

    def _arc(self, at: int, to: int, transition: int, word: int = 0, cost: float = 0.0) -> None:
        self.states[at].append(Arc(transition, word, cost, to))

    def _phone(
        self, sources: Sequence[int], name: str, position: str, output: int, word: int = 0, cost: float = 0.0
    ) -> list[int]:
        """One phone after any of `sources`; returns the states it can end in."""
        phone = self.phones.ids[name, position]
        only, more, blank = self._state(), self._state(), self._state()

        def number(state: int, to: int) -> int:
            return self.phones.transition[phone, state, output if state == 0 else 0, to]

        for source in sources:
            self._arc(source, only, number(0, 2), word, cost)
            self._arc(source, more, number(0, 1), word, cost)
        self._arc(only, only, number(0, 0))
        self._arc(more, more, number(0, 0))
        self._arc(more, blank, number(1, 2))
        self._arc(blank, blank, number(1, 1), cost=self.prices.blank)
        return [only, blank]

    def _end(self, ends: Sequence[int]) -> None:
        rest_out = self.phones.transition[SILENCE, 0, 0, 1]
        for end in ends:
            self._arc(end, self.loop, 0, cost=self.prices.pause)
            self._arc(end, self.pause, rest_out, cost=self.prices.pause)

    def add_word(self, sounds: Sequence[str], word: int) -> None:
        """One pronunciation."""
        ends = [self.loop]
        for i, name in enumerate(sounds):
            position = "S" if len(sounds) == 1 else "B" if i == 0 else "E" if i == len(sounds) - 1 else "I"
            ends = self._phone(ends, name, position, INDEX[name], word if i == 0 else 0)
        self._end(ends)

    def add_filler(self, word: int) -> None:
        """`[unk]`."""
        middle = self._state()
        price, outputs = self.prices.filler, range(1, len(PHONES) + 1)
        for output in outputs:
            for end in self._phone([self.loop], FILLER, "B", output, word, price + self.prices.filler_start):
                self._arc(end, middle, 0)
        for output in outputs:
            for end in self._phone([middle], FILLER, "I", output, cost=price):
                self._arc(end, middle, 0)
        for output in outputs:
            self._end(self._phone([middle], FILLER, "E", output, cost=price))

    def fst(self) -> bytes:
        """The file HCLr.fst."""
        return vector_fst(self.states, {self.loop: 0.0})


def any_word(numbers: Sequence[int]) -> bytes:
    """The file Gr.fst: any words in any order, all alike. A grammar given at run time takes its place."""
    cost = math.log(len(numbers) + 1)
    return vector_fst([[Arc(one, one, cost, 0) for one in numbers]], {0: cost}, by="ilabel")


def word_numbers(words: Sequence[str]) -> dict[str, int]:
    """Word -> number, as in words.txt."""
    return {name: i for i, name in enumerate([EPSILON, UNKNOWN, *sorted(words)])}


def search_graph(
    phones: Phones, lexicon: Mapping[str, Sequence[Sequence[str]]], numbers: Mapping[str, int], prices: Prices
) -> bytes:
    """HCLr.fst of a lexicon: word -> pronunciations."""
    search = Search(phones, prices)
    for word in sorted(lexicon):
        for sounds in lexicon[word]:
            search.add_word(sounds, numbers[word])
    search.add_filler(numbers[UNKNOWN])
    return search.fst()
