"""Which words our recognisers know."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from grammar.errors import GrammarError
from grammar.language import language
from grammar.phonetics import ways

WORDS = Path(__file__).parent / "model" / "twohands-en" / "graph" / "words.txt"
"""The words of the Vosk model that ships, one a line with its number. Ours is English."""


def lacking(word: str, key: str) -> str:
    """Who does not know a word of a language, for a sentence; "" when all do.

    PocketSphinx knows its dictionary and the language file's pronunciations, in
    English; a language without a dictionary is read by its rules for letters.
    """
    try:
        ways(word, key)
    except GrammarError:
        return "the rules for letters" if language(key).letters else "the dictionary of pronunciations"
    if key == "en" and (shipped := model_words()) and word not in shipped:
        return "the recogniser's model that ships"
    return ""


@lru_cache
def model_words() -> frozenset[str]:
    """The words of the model that ships; none where it is not there."""
    if not WORDS.is_file():
        return frozenset()
    return frozenset(line.split()[0] for line in WORDS.read_text(encoding="utf-8").splitlines() if line.strip())
