"""How whole numbers are put into words in one language, as data.

A class maps words to values; a shape is a list of patterns; a pattern is a
row of parts whose values add up. The syntax stands in the head of
`language/en.yaml`. Reading words and offering words are both walks of the
same shapes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from grammar.errors import GrammarError
from grammar.tree import Node, Seq, Word, any_of, maybe

_PART = re.compile(
    r"'(?P<word>[^']+)'(?P<maybe>\?)?|\+(?P<plus>\d+)|@(?P<weight>\d*\.?\d+)|(?P<name>[a-z_0-9]+?)(?:\*(?P<times>\d+))?$"
)

OPTIONAL = 0.3
"""How often a word that may be left out is said; common practice."""


@dataclass(frozen=True)
class Part:
    """name * times, or the word `word` (worth nothing, may be left out if `optional`), or nothing said worth `plus`."""

    name: str = ""
    times: int = 1
    word: str = ""
    optional: bool = False
    plus: int = 0


@dataclass(frozen=True)
class Pattern:
    """A row of parts. weight: how often a number is said this way."""

    parts: tuple[Part, ...]
    weight: float = 1.0


@dataclass(frozen=True, eq=False)
class Shapes:
    """The word classes and shapes of a language. Raises GrammarError when one names an unknown one."""

    classes: Mapping[str, Mapping[str, int]]
    shapes: Mapping[str, tuple[Pattern, ...]]
    _narrowed: dict[tuple[str, int, int], Node | None] = field(default_factory=dict, repr=False)
    _bounds: dict[str, tuple[int, int]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for name, values in self.classes.items():
            self._bounds[name] = (min(values.values()), max(values.values()))
        for name, patterns in self.shapes.items():
            for part in (part for pattern in patterns for part in pattern.parts):
                if part.name and part.name not in self._bounds:
                    raise GrammarError(
                        f"The number shape '{name}' uses '{part.name}', which is not written above it.",
                        "Mend the name or move it up.",
                    )
            ends = [self._reach(pattern.parts) for pattern in patterns]
            self._bounds[name] = (min(low for low, _ in ends), max(high for _, high in ends))

    def read(self, name: str, words: Sequence[str]) -> frozenset[int]:
        """Every value that the words have as a whole under the shape `name`; empty when none."""
        return frozenset(value for end, value in self._read(name, tuple(words), 0) if end == len(words))

    def narrow(self, name: str, low: int, high: int) -> Node | None:
        """The tree of all ways to say a value from low to high, both included; None when there is none."""
        bottom, top = self._bounds[name]
        low, high = max(low, bottom), min(high, top)
        if low > high:
            return None
        key = (name, low, high)
        if key not in self._narrowed:
            if name in self.classes:
                node = any_of(
                    *((1.0, Word(word)) for word, value in self.classes[name].items() if low <= value <= high)
                )
            else:
                rows = ((pattern.weight, self._row(pattern.parts, low, high)) for pattern in self.shapes[name])
                node = any_of(*((weight * row.size, row) for weight, row in rows if row is not None))
            self._narrowed[key] = node
        return self._narrowed[key]

    def top(self, name: str) -> int:
        """The greatest value of a shape."""
        return self._bounds[name][1]

    def _reach(self, parts: tuple[Part, ...]) -> tuple[int, int]:
        low = high = 0
        for part in parts:
            bottom, top = self._bounds[part.name] if part.name else (part.plus, part.plus)
            low, high = low + bottom * part.times, high + top * part.times
        return low, high

    def _row(self, parts: tuple[Part, ...], low: int, high: int) -> Node | None:
        """The tree of a row of parts with a sum from low to high."""
        least, most = self._reach(parts)
        low, high = max(low, least), min(high, most)
        if low > high:
            return None
        if not parts:
            return Seq()
        head, rest = parts[0], parts[1:]
        if not head.name:
            tail = self._row(rest, low - head.plus, high - head.plus)
            said = Word(head.word) if head.word else Seq()
            return _join(maybe(said, OPTIONAL) if head.optional else said, tail)
        # Heads that leave the rest of the row its full reach go together; those at the edges one by one.
        rest_low, rest_high = self._reach(rest)
        first, last = -((rest_high - low) // head.times), (high - rest_low) // head.times
        full_first, full_last = -((rest_low - low) // head.times), (high - rest_high) // head.times
        bottom, top = self._bounds[head.name]
        first, last = max(first, bottom), min(last, top)
        full_first, full_last = max(full_first, first), min(full_last, last)
        if full_first > full_last:
            runs = [(value, value) for value in range(first, last + 1)]
        else:
            runs = [(value, value) for value in range(first, full_first)]
            runs += [(full_first, full_last)]
            runs += [(value, value) for value in range(full_last + 1, last + 1)]
        found = []
        for begin, end in runs:
            start = self.narrow(head.name, begin, end)
            if start is not None:
                tail = self._row(
                    rest,
                    low - begin * head.times if begin == end else rest_low,
                    high - end * head.times if begin == end else rest_high,
                )
                found.append(_join(start, tail))
        return any_of(*((float(one.size), one) for one in found if one is not None))

    def _read(self, name: str, words: tuple[str, ...], start: int) -> frozenset[tuple[int, int]]:
        if name in self.classes:
            value = self.classes[name].get(words[start]) if start < len(words) else None
            return frozenset() if value is None else frozenset({(start + 1, value)})
        found: set[tuple[int, int]] = set()
        for pattern in self.shapes[name]:
            ends = {(start, 0)}
            for part in pattern.parts:
                if part.name:
                    ends = {
                        (end, total + value * part.times)
                        for begin, total in ends
                        for end, value in self._read(part.name, words, begin)
                    }
                elif part.word:
                    skipped = ends if part.optional else set()
                    ends = skipped | {
                        (begin + 1, total) for begin, total in ends if begin < len(words) and words[begin] == part.word
                    }
                else:
                    ends = {(begin, total + part.plus) for begin, total in ends}
                if not ends:
                    break
            found |= ends
        return frozenset(found)


def _join(head: Node, tail: Node | None) -> Node | None:
    if tail is None:
        return None
    parts = (head.parts if isinstance(head, Seq) else (head,)) + (tail.parts if isinstance(tail, Seq) else (tail,))
    return parts[0] if len(parts) == 1 else Seq(parts)


def pattern(text: str) -> Pattern:
    """A pattern from its written form. Raises ValueError with what is wrong."""
    parts: list[Part] = []
    weight = 1.0
    for token in text.split():
        match = _PART.fullmatch(token)
        if match is None:
            raise ValueError(f"'{token}' in the number shape '{text}' is not a part known here")
        if match["word"]:
            parts.append(Part(word=match["word"], optional=bool(match["maybe"])))
        elif match["plus"]:
            parts.append(Part(plus=int(match["plus"])))
        elif match["weight"]:
            weight = float(match["weight"])
        else:
            parts.append(Part(name=match["name"], times=int(match["times"] or 1)))
    if not parts or weight <= 0:
        raise ValueError(f"the number shape '{text}' needs a part and a weight above 0")
    return Pattern(tuple(parts), weight)
