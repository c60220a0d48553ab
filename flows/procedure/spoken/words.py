"""Sentences as words: cut, searched, and what they tell to say."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from flows.procedure.spoken.glossary import Glossary

Words = tuple[str, ...]


@dataclass(frozen=True)
class Found:
    """Where one of some names stands in a sentence: from `start` up to `end`, in words."""

    name: str
    start: int
    end: int


@lru_cache(maxsize=4096)
def words_in(text: str) -> Words:
    """The words of a text, in lower case, without marks; a field to fill in ("{low}") is left out."""
    plain = unicodedata.normalize("NFKC", re.sub(r"\{[^}]*\}", " ", text)).lower().replace("’", "'")
    return tuple(word.strip("'") for word in re.findall(r"[\w']+", plain) if word.strip("'"))


def sentences(text: str) -> list[Words]:
    """The words of each sentence; a colon and a semicolon end one too."""
    return list(_sentences(text))


@lru_cache(maxsize=4096)
def _sentences(text: str) -> tuple[Words, ...]:
    return tuple(words for part in re.split(r"[.?!:;¿¡]", text) if (words := words_in(part)))


def prompted(text: str, book: Glossary) -> list[str]:
    """What a text tells to say, each as it is written: "furnace is running" in "Then say: furnace is running." """
    return [hit["said"].strip() for hit in _prompts(book).finditer(text) if hit["said"].strip()]


def written(text: str, book: Glossary) -> str:
    """The text with what it tells to say told to be written."""

    def put(hit: re.Match[str]) -> str:
        return (book.written.capitalize() if hit[0][0].isupper() else book.written) + ":"

    any_of = "|".join(re.escape(one) for one in sorted(book.spoken_prompts, key=len, reverse=True))
    return re.sub(rf"(?<!\w)(?:{any_of})\s*:", put, text, flags=re.IGNORECASE)


def without_prompts(text: str, book: Glossary) -> str:
    """The text without what it tells to say."""
    return _prompts(book).sub(". ", text)


def _prompts(book: Glossary) -> re.Pattern[str]:
    return _after_any(tuple(book.prompts))


@lru_cache(maxsize=64)
def _after_any(prompts: tuple[str, ...]) -> re.Pattern[str]:
    any_of = "|".join(re.escape(one) for one in sorted(prompts, key=len, reverse=True))
    return re.compile(rf"(?<!\w)(?:{any_of})\s*:\s*(?P<said>[^.?!;:]*)", re.IGNORECASE)


def has(words: Words, names: Iterable[str]) -> bool:
    """Whether one of the names stands in the words."""
    return any(True for _ in _spans(words, names))


def find(words: Words, names: Iterable[str], start: int = 0) -> list[Found]:
    """The names that stand in the words from `start` on; a longer one hides those inside it. In their order."""
    spans = sorted(_spans(words, names), key=lambda one: (one.start - one.end, one.start))
    if not spans:
        return []
    kept: list[Found] = []
    for one in spans:
        if one.start >= start and not any(one.start < other.end and other.start < one.end for other in kept):
            kept.append(one)
    return sorted(kept, key=lambda one: one.start)


def masked(words: Words, names: Iterable[str]) -> Words:
    """The words with the given names put out of sight; each becomes "-", so that nothing new stands side by side."""
    found = find(words, names)
    kept, place = [], 0
    for one in found:
        kept += [*words[place : one.start], "-"]
        place = one.end
    return (*kept, *words[place:])


@lru_cache(maxsize=4096)
def _parts(name: str) -> Words:
    return tuple(name.split())


def _spans(words: Words, names: Iterable[str]) -> Iterator[Found]:
    there = set(words)
    for name in names:
        part = _parts(name)
        if part[0] not in there:
            continue
        for start in range(len(words) - len(part) + 1):
            if words[start : start + len(part)] == part:
                yield Found(name, start, start + len(part))


def clauses(text: str, book: Glossary) -> Iterator[tuple[Words, Words]]:
    """(clause, its sentence from there on) of every sentence that is no way to get out.

    A clause begins at a sentence, a comma or a joining word; its openers are left out.
    """
    joiners, openers = set(book.joiners), set(book.openers)
    for part in re.split(r"[.?!:;¿¡]", text):
        if has(words_in(part), book.emergency):
            continue
        pieces = [words_in(piece) for piece in part.split(",")]
        for number, piece in enumerate(pieces):
            rest = tuple(word for later in pieces[number + 1 :] for word in later)
            starts = [0, *(place + 1 for place, word in enumerate(piece) if word in joiners)]
            for start, end in zip(starts, [*(one - 1 for one in starts[1:]), len(piece)], strict=True):
                while start < end and piece[start] in openers:
                    start += 1
                if start < end:
                    yield piece[start:end], (*piece[start:], *rest)


def starts_with(words: Words, verbs: Sequence[str]) -> str | None:
    """The verb that the words begin with, if any of them."""
    return next((verb for verb in verbs if words[: len(_parts(verb))] == _parts(verb)), None)
