"""A small tree of words: what may be said, with how often.

Built once from a scope; the recogniser grammars, the random sentences and
the check of a sentence are all walks of it, so they cannot differ.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from grammar.errors import GrammarError


@dataclass(frozen=True, eq=False)
class Word:
    """One word."""

    text: str
    size: int = field(default=1, init=False)


@dataclass(frozen=True, eq=False)
class Seq:
    """Parts one after another; no parts is silence. size: how many sentences."""

    parts: tuple[Node, ...] = ()
    size: int = field(init=False)

    def __post_init__(self) -> None:
        size = 1
        for part in self.parts:
            size *= part.size
        object.__setattr__(self, "size", size)


@dataclass(frozen=True, eq=False)
class Alt:
    """One of several, as (weight, node); weights are relative and above 0."""

    choices: tuple[tuple[float, Node], ...]
    size: int = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "size", sum(node.size for _, node in self.choices))


Node = Word | Seq | Alt
NOTHING = Seq()


def phrase(text: str) -> Node:
    """The words of a phrase, in order."""
    words = tuple(Word(word) for word in text.split())
    return words[0] if len(words) == 1 else Seq(words)


def seq(*parts: Node) -> Node:
    """Parts in order, silence left out."""
    kept = tuple(part for part in parts if part is not NOTHING)
    return kept[0] if len(kept) == 1 else Seq(kept)


def any_of(*choices: tuple[float, Node | None]) -> Node | None:
    """One of the choices that are there; None when none is."""
    kept = tuple((weight, node) for weight, node in choices if node is not None)
    if not kept:
        return None
    return kept[0][1] if len(kept) == 1 else Alt(kept)


def even(texts: Sequence[str]) -> Node | None:
    """One of several phrases, equally often; None when there are none."""
    return any_of(*((1.0, phrase(text)) for text in texts))


def present(node: Node | None) -> Node:
    """The node. Raises GrammarError for None: nothing can be said there."""
    if node is None:
        raise GrammarError(
            "Nothing can be said where something must be.", "Give the language at least one phrase for it."
        )
    return node


def maybe(node: Node | None, often: float) -> Node:
    """The node with probability `often`, else silence."""
    return NOTHING if node is None else Alt(((often, node), (1.0 - often, NOTHING)))


def accepts(node: Node, words: Sequence[str]) -> bool:
    """Whether the tree holds exactly these words."""
    return len(words) in _ends(node, words, 0, {})


def _ends(node: Node, words: Sequence[str], start: int, seen: dict[tuple[int, int], frozenset[int]]) -> frozenset[int]:
    key = (id(node), start)
    if key not in seen:
        match node:
            case Word(text):
                found = frozenset({start + 1}) if start < len(words) and words[start] == text else frozenset()
            case Seq(parts):
                found = frozenset({start})
                for part in parts:
                    found = frozenset(end for begin in found for end in _ends(part, words, begin, seen))
            case Alt(choices):
                found = frozenset(end for _, choice in choices for end in _ends(choice, words, start, seen))
        seen[key] = found
    return seen[key]


def draw(node: Node, rng: random.Random) -> list[str]:
    """One random sentence, as often as the weights say."""
    match node:
        case Word(text):
            return [text]
        case Seq(parts):
            return [word for part in parts for word in draw(part, rng)]
        case Alt(choices):
            weights = [weight for weight, _ in choices]
            return draw(rng.choices([choice for _, choice in choices], weights)[0], rng)


def every(node: Node) -> Iterator[list[str]]:
    """Every sentence of a small tree (look at `size` first)."""
    match node:
        case Word(text):
            yield [text]
        case Seq(parts):
            if not parts:
                yield []
                return
            for head in every(parts[0]):
                for tail in every(Seq(parts[1:])):
                    yield head + tail
        case Alt(choices):
            for _, choice in choices:
                yield from every(choice)


def words_of(node: Node) -> frozenset[str]:
    """Every word that occurs."""
    found: set[str] = set()
    seen: set[int] = set()
    todo = [node]
    while todo:
        one = todo.pop()
        if id(one) in seen:
            continue
        seen.add(id(one))
        match one:
            case Word(text):
                found.add(text)
            case Seq(parts):
                todo.extend(parts)
            case Alt(choices):
                todo.extend(choice for _, choice in choices)
    return frozenset(found)
