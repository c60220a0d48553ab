"""The sentences of a step that only teach: how to answer, and in what to read.

Who knows that already need not hear it again.
"""

from __future__ import annotations

import re
from functools import lru_cache

from flows.procedure.schema import Step
from flows.procedure.spoken.glossary import glossary
from flows.procedure.spoken.words import has, prompted, without_prompts, words_in
from grammar.language import language


def teaching(step: Step, text: str, key: str) -> str:
    """The sentences of a text that only tell how to answer."""
    unit = step.ask.unit if step.ask else None
    return "".join(one for one in pieces(text) if bare_prompt(one, key) or (unit and asks_for(one, unit, key)))


@lru_cache(maxsize=4096)
def pieces(text: str) -> tuple[str, ...]:
    """The sentences of a text, each with its marks and the blank after it."""
    return tuple(re.findall(r"[^.?!]+[.?!]*\s*", text))


@lru_cache(maxsize=4096)
def told(text: str, key: str) -> frozenset[str]:
    """The phrases that a text tells to say."""
    return frozenset(prompted(text, glossary(key)))


@lru_cache(maxsize=4096)
def bare_prompt(sentence: str, key: str) -> frozenset[str]:
    """The phrases that a sentence tells to say, where it does nothing else; empty otherwise."""
    book = glossary(key)
    said = prompted(sentence, book)
    rest = [word for word in words_in(without_prompts(sentence, book)) if word not in book.openers]
    return frozenset(said) if said and not rest else frozenset()


@lru_cache(maxsize=4096)
def asks_for(sentence: str, unit: str, key: str) -> bool:
    """Whether a sentence only asks for a number in `unit`: nothing that a hand moves is named in it."""
    book, said = glossary(key), language(key).units[unit]
    words = words_in(sentence)
    moved = [name for thing in book.things.values() if thing.hand for name in thing.words]
    return has(words, {said.one, said.many, *said.phrases}) and not has(words, moved)
