"""The grammar of a scope of plain sentences, with common beginnings and endings written once.

The hundreds of tests that a trainee can ask for begin and end alike. Written one after the
other, as `grammar.emit` does it, a recogniser follows each by itself and falls behind.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache

import grammar.emit
from grammar.phonetics import meanings
from grammar.scope import Scope

END = ""
"""Key in a node at which a sentence may end."""
SILENCE = "<NULL>"


class SharedGrammars:
    """What `grammar.emit` gives, scopes without a reading written as a tree. For the engines."""

    def jsgf(self, scope: Scope) -> str:
        return grammar.emit.jsgf(scope) if scope.asked else _jsgf(scope)

    def phrases(self, scope: Scope) -> list[str]:
        return grammar.emit.phrases(scope)

    def accepts(self, scope: Scope, text: str) -> bool:
        return grammar.emit.accepts(scope, text) if scope.asked else text in sentences(scope)

    def vocabulary(self, scope: Scope) -> frozenset[str]:
        return grammar.emit.vocabulary(scope)

    def pronunciations(self, key: str) -> Mapping[str, str]:
        return grammar.emit.pronunciations(key)


@lru_cache(maxsize=64)
def sentences(scope: Scope) -> frozenset[str]:
    """Every sentence of a scope that asks for no reading."""
    return frozenset(phrase for _, phrase in meanings(scope))


@lru_cache(maxsize=64)
def _jsgf(scope: Scope) -> str:
    root: dict = {}
    for sentence in sorted(sentences(scope)):
        node = root
        for word in sentence.split():
            node = node.setdefault(word, {})
        node[END] = {}
    rules: dict[str, str] = {}
    start = _written(root, rules)
    name = re.sub(r"[^a-z0-9]+", "_", scope.name.lower()).strip("_")
    return "\n".join(
        [
            "#JSGF V1.0;",
            f"grammar {name};",
            f"public <{name}> = {start};",
            *(f"<{rule}> = {text};" for text, rule in rules.items()),
            "",
        ]
    )


def _written(node: dict, rules: dict[str, str]) -> str:
    """What may follow, as JSGF; equal continuations become one rule. rules: their text -> name, filled on the way."""
    choices = []
    for word, rest in node.items():
        if word == END:
            choices.append(SILENCE)
            continue
        after = _written(rest, rules)
        choices.append(word if after == SILENCE else f"{word} {after}")
    text = " | ".join(choices)
    return text if len(choices) == 1 else f"<{rules.setdefault(text, f'r{len(rules) + 1}')}>"
