"""Words of ours that a Vosk model lacks, spelt as words of its own that sound the same, and put back when heard."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from pydantic import Field

from grammar.answers import Word
from grammar.datafile import Strict

SETTINGS = Path(__file__).with_name("vosk.yaml")


class VoskSettings(Strict):
    """respell: language key -> word -> words that sound the same."""

    version: int = Field(ge=1, le=1)
    respell: dict[str, dict[str, str]] = Field(default_factory=dict)


def missing(words: frozenset[str], respell: Mapping[str, str], knows: Callable[[str], bool]) -> list[str]:
    """Those of `words` that a model has neither as they are nor respelt."""
    return sorted(word for word in words if not knows(word) and not all(map(knows, respell.get(word, word).split())))


def joined(words: Sequence[Word], back: Mapping[str, str]) -> list[Word]:
    """Words with each respelt group put back together as ours. back: what was heard -> our word."""
    found: list[Word] = []
    groups = sorted(((said.split(), ours) for said, ours in back.items()), key=lambda pair: -len(pair[0]))
    place = 0
    while place < len(words):
        for said, ours in groups:
            group = words[place : place + len(said)]
            if [word.text for word in group] == said:
                least = min(word.confidence for word in group)
                found.append(Word(ours, least, group[0].start, group[-1].end))
                place += len(said)
                break
        else:
            found.append(words[place])
            place += 1
    return found
