"""What an engine is given: JSGF for PocketSphinx, phrases for Vosk; and sentences for tests. All walks of one tree."""

from __future__ import annotations

import random
import re
from collections import deque
from collections.abc import Mapping
from functools import lru_cache

from grammar.build import tree_of
from grammar.language import language
from grammar.scope import Scope
from grammar.tree import NOTHING, Alt, Node, Seq, Word, draw, words_of
from grammar.tree import accepts as tree_accepts

UNKNOWN = "[unk]"
"""What Vosk answers for speech outside the phrases."""


def jsgf(scope: Scope, emphasis: float = 1.0) -> str:
    """The grammar of `scope` in JSGF (Java Speech Grammar Format 1.0), with one public rule.

    Units stand in it only in the spelling that PocketSphinx knows or is given (`pronunciations`).

    emphasis: every share is raised to it. PocketSphinx 5 adds the logarithm of a
    JSGF weight to the sound's score without its language weight (6.5), so that 1 is mild.
    """
    return _jsgf(scope, emphasis)


@lru_cache(maxsize=128)
def _jsgf(scope: Scope, emphasis: float) -> str:
    root = tree_of(scope, also=False)
    name = re.sub(r"[^a-z0-9]+", "_", scope.name.lower()).strip("_") or "scope"
    shared = _shared(root)
    rules = [f"<r{number}> = {_written(node, shared, emphasis, top=True)};" for node, number in shared.values()]
    return "\n".join(
        [
            "#JSGF V1.0;",
            f"grammar {name};",
            f"public <{name}> = {_written(root, shared, emphasis, top=True)};",
            *rules,
            "",
        ]
    )


def _shared(root: Node) -> dict[int, tuple[Node, int]]:
    """Nodes that stand in more than one place, each to be written once as a rule of its own."""
    times: dict[int, int] = {}
    nodes: list[Node] = []
    todo = [root]
    while todo:
        node = todo.pop()
        times[id(node)] = times.get(id(node), 0) + 1
        if times[id(node)] > 1:
            continue
        nodes.append(node)
        todo += (
            [choice for _, choice in node.choices]
            if isinstance(node, Alt)
            else node.parts
            if isinstance(node, Seq)
            else ()
        )
    kept = [
        node
        for node in nodes
        if times[id(node)] > 1 and not isinstance(node, Word) and node is not NOTHING and node is not root
    ]
    return {id(node): (node, number) for number, node in enumerate(kept, 1)}


def _written(node: Node, shared: dict[int, tuple[Node, int]], emphasis: float, top: bool = False) -> str:
    if not top and id(node) in shared:
        return f"<r{shared[id(node)][1]}>"
    match node:
        case Word(text):
            return text
        case Seq(parts):
            return " ".join(_written(part, shared, emphasis) for part in parts) if parts else "<NULL>"
        case Alt(choices):
            inner = [(weight**emphasis, _written(choice, shared, emphasis)) for weight, choice in choices]
            greatest = max(weight for weight, _ in inner)
            if all(weight == greatest for weight, _ in inner):
                text = " | ".join(one for _, one in inner)
            else:
                text = " | ".join(f"/{max(weight / greatest, 1e-6):.6f}/ {one}" for weight, one in inner)
            return text if top else f"( {text} )"


def phrases(scope: Scope) -> list[str]:
    """The phrase list of `scope` for Vosk, to be given as JSON; the last one is "[unk]".

    Vosk makes a model of word pairs out of the phrases, so every pair of words
    that may follow each other in the scope stands in at least one of them.
    """
    return list(_phrases(scope))


@lru_cache(maxsize=128)
def _phrases(scope: Scope) -> tuple[str, ...]:
    return (*_covering(tree_of(scope)), UNKNOWN)


def vocabulary(scope: Scope) -> frozenset[str]:
    """Every word that can be said in `scope`."""
    return words_of(tree_of(scope))


def alarm_jsgf(scope: Scope) -> str:
    """A grammar of the phrases heard anywhere, alone or amid a loop of the scope's own words.

    For a second look at an utterance: the loop stands for all that was not an
    alarm, and takes no part in understanding. The words of "yes" and "no" are
    in it always: said where they are not asked for, they sound like "gas".
    """
    lang = language(scope.language)
    phrases = [phrase for id in lang.anywhere for phrase in lang.command(id).spoken]
    others = [phrase for option in scope.options for phrase in option.phrases]
    others += [phrase for id in scope.commands if id not in lang.anywhere for phrase in lang.command(id).spoken]
    own = {word for phrase in phrases for word in phrase.split()} - {
        word for phrase in others for word in phrase.split()
    }
    agreeing = {
        word
        for id in ("yes", "no")
        if id in lang.options
        for phrase in lang.option(id).phrases
        for word in phrase.split()
    }
    other = sorted((vocabulary(scope) | agreeing) - own) or sorted(own)
    return (
        "#JSGF V1.0;\n\ngrammar alarm;\n\n"
        "public <heard> = [<other>] (<alarm> | <other>) [<other>];\n"
        f"<other> = ({' | '.join(other)})+;\n"
        f"<alarm> = {' | '.join(phrases)};\n"
    )


def accepts(scope: Scope, text: str) -> bool:
    """Whether the grammar of `scope` holds exactly this text (lower-case words)."""
    return tree_accepts(tree_of(scope), text.split())


def sentences(scope: Scope, rng: random.Random, n: int) -> list[str]:
    """n random sentences of `scope`, as often as its weights say."""
    root = tree_of(scope)
    return [" ".join(draw(root, rng)) for _ in range(n)]


def pronunciations(key: str = "en") -> Mapping[str, str]:
    """Words that PocketSphinx's dictionary lacks, each with its phones ("K IH L OW M")."""
    return language(key).pronunciations


def _covering(root: Node) -> list[str]:
    """Sentences of the tree in which every pair of following words occurs (places of a word: Glushkov 1961)."""
    texts: list[str] = []
    follow: list[set[int]] = []

    def walk(node: Node) -> tuple[set[int], set[int], bool]:
        """First places, last places, and whether the node may be silent."""
        if isinstance(node, Word):
            texts.append(node.text)
            follow.append(set())
            return {len(texts) - 1}, {len(texts) - 1}, False
        if isinstance(node, Alt):
            ends = [walk(choice) for _, choice in node.choices]
            return (
                set().union(*(one[0] for one in ends)),
                set().union(*(one[1] for one in ends)),
                any(one[2] for one in ends),
            )
        first: set[int] = set()
        last: set[int] = set()
        silent = True
        for part in node.parts:
            part_first, part_last, part_silent = walk(part)
            for place in last:
                follow[place] |= part_first
            first |= part_first if silent else set()
            last = last | part_last if part_silent else part_last
            silent = silent and part_silent
        return first, last, silent

    first, last, _ = walk(root)
    before: list[set[int]] = [set() for _ in texts]
    for place, afters in enumerate(follow):
        for after in afters:
            before[after].add(place)
    to_start = _nearest(first, follow)
    to_end = _nearest(last, before)
    found: dict[str, None] = {}
    covered: set[tuple[str, str]] = set()

    def add(places: list[int]) -> None:
        words = [texts[place] for place in places]
        found.setdefault(" ".join(words))
        covered.update(zip(["<s>", *words], [*words, "</s>"], strict=True))

    for place in sorted(first):
        if ("<s>", texts[place]) not in covered:
            add(_chain(place, to_end))
    for place in sorted(last):
        if (texts[place], "</s>") not in covered:
            add(_chain(place, to_start)[::-1])
    for place, afters in enumerate(follow):
        for after in sorted(afters):
            if (texts[place], texts[after]) not in covered:
                add(_chain(place, to_start)[::-1] + _chain(after, to_end))
    return list(found)


def _nearest(sources: set[int], arcs: list[set[int]]) -> dict[int, int | None]:
    """For each place the next one on a shortest way to a source, None at a source."""
    towards: dict[int, int | None] = dict.fromkeys(sorted(sources))
    todo = deque(towards)
    while todo:
        place = todo.popleft()
        for other in sorted(arcs[place]):
            if other not in towards:
                towards[other] = place
                todo.append(other)
    return towards


def _chain(place: int, towards: dict[int, int | None]) -> list[int]:
    chain = [place]
    while (following := towards[chain[-1]]) is not None:
        chain.append(following)
    return chain
