"""Other ways to be understood, as they are printed for somebody whom the microphone does not serve."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Literal

from grammar.datafile import Strict, load_yaml


class Some(Strict):
    """The ways in one language."""

    push_to_talk: str
    typed: str


class Ways(Strict):
    """The ways by language; the head of ways.yaml explains them."""

    format: Literal[1]
    ways: dict[str, Some]


@lru_cache
def ways() -> Ways:
    """The ways that ship. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("ways.yaml"), Ways)


def other_ways(language: str, visit: str, push_to_talk: bool) -> tuple[str, ...]:
    """One line a way, as a visit by microphone can go on. visit: its folder's name. push_to_talk: whether it has that
    already."""
    data = ways().ways
    some = data.get(language) or data["en"]
    lines = (some.typed,) if push_to_talk else (some.push_to_talk, some.typed)
    return tuple(line.format(visit=visit) for line in lines)
