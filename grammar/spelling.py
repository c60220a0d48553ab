"""Characters spelled aloud, as serial numbers are: the words for each, the tree of what can be said, and back.

One table makes the recogniser's grammar and the parser: the spelling alphabet of radio, digits and three signs.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

from pydantic import Field, model_validator

from grammar.datafile import Strict, load_yaml
from grammar.tree import Node, even, maybe, present, seq

ID = "spelled/"
"""How the id of an answer begins that spells characters; they follow."""
OFTEN = 0.8
"""How often one more character follows."""


class Spelling(Strict):
    """The file spelling.yaml. most: characters in one answer."""

    version: int = Field(ge=1, le=1)
    most: int = Field(ge=1, le=20)
    languages: dict[str, dict[str, tuple[str, ...]]]

    @model_validator(mode="after")
    def _told_apart(self) -> Spelling:
        for key, table in self.languages.items():
            said = [phrase for phrases in table.values() for phrase in phrases]
            if twice := sorted({one for one in said if said.count(one) > 1}):
                raise ValueError(f"{key}: '{twice[0]}' stands for two characters")
            if long := sorted(one for one in table if len(one) != 1):
                raise ValueError(f"{key}: '{long[0]}' is not one character")
        return self


@lru_cache
def spelling() -> Spelling:
    """The table that ships. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("spelling.yaml"), Spelling)


def can_spell(key: str) -> bool:
    """Whether characters can be spelled aloud in a language."""
    return key in spelling().languages


def words(key: str) -> frozenset[str]:
    """Every word of the table of a language; none where it has none."""
    table = spelling().languages.get(key, {})
    return frozenset(word for phrases in table.values() for phrase in phrases for word in phrase.split())


def aloud(text: str, key: str) -> str:
    """The characters as they are spelled, such as "mike, eight, dash"; one that has no word stands as it is.

    Letters are spelled as capitals.
    """
    table = spelling().languages.get(key, {})
    return ", ".join(table[one][0] if one in table else one for one in text.upper())


@lru_cache
def _phrases(key: str) -> dict[tuple[str, ...], str]:
    table = spelling().languages.get(key, {})
    return {tuple(phrase.split()): one for one, phrases in table.items() for phrase in phrases}


def characters(said: Sequence[str], key: str) -> str:
    """The characters that the words spell, "" where any word is none of the table."""
    known, found, at = _phrases(key), "", 0
    longest = max(map(len, known), default=0)
    while at < len(said):
        size = next((n for n in range(longest, 0, -1) if tuple(said[at : at + n]) in known), 0)
        if not size:
            return ""
        found += known[tuple(said[at : at + size])]
        at += size
    return found


@lru_cache
def tree(key: str) -> Node | None:
    """What can be spelled in one answer; None where the language has no table."""
    if not can_spell(key):
        return None
    one = present(even([phrase for phrases in spelling().languages[key].values() for phrase in phrases]))
    node: Node = one
    for _ in range(spelling().most - 1):
        node = seq(one, maybe(node, OFTEN))
    return node
