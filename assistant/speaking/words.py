"""A text as the words and marks that it is spoken from, and the keys by which their sound is found.

A key is words and marks with single spaces, the marks on their words: "it should be …", "… or more.". An ellipsis
stands where the voice goes on without a pause, so the same words have other keys, and another melody, at the start, in
the middle and at the end of a sentence.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from grammar.numbers import say_digits_after

ENDS = frozenset(".?!")
MARKS = ENDS | frozenset(",:;")
"""Where the voice pauses."""
OPEN = "…"
"""Where it goes on."""
_PIECE = re.compile(r"-?\d+(?:\.\d+)?|[A-Za-z]+(?:'[A-Za-z]*)*|[.,:;?!]")


def words_of(text: str) -> tuple[str, ...]:
    """Lower-case words, letters said by their names in upper case, and marks; numbers become words, an end is put
    where none is. Empty for empty text, and for one with a sign that has no words of its own."""
    if _PIECE.sub(" ", text).strip():
        return ()
    found: list[str] = []
    raw = _PIECE.findall(text)
    for place, one in enumerate(raw):
        if one in MARKS:
            if found and found[-1] not in MARKS:
                found.append(one)
            elif found and one in ENDS:
                found[-1] = one
        elif one[-1].isdigit():
            found += say_digits_after(one).split()
        elif len(one) == 1 and one.isupper() and not _article(raw, place):
            found.append(one)
        else:
            found.append(one.lower())
    if found and found[-1] not in ENDS:
        found[-1:] = ["."] if found[-1] in MARKS else [found[-1], "."]
    return tuple(found)


def _article(raw: Sequence[str], place: int) -> bool:
    """Whether an "A" is the article that begins a sentence, and no letter: "A C volts" against "A live part"."""
    after = raw[place + 1] if place + 1 < len(raw) else "."
    return raw[place] == "A" and not (len(after) == 1 and (after.isupper() or after in MARKS))


def key(words: Sequence[str], begin: int = 0, end: int | None = None) -> str:
    """The key of words[begin:end] where they stand in `words`."""
    end = len(words) if end is None else end
    text = ""
    for one in words[begin:end]:
        text += one if one in MARKS else f" {one}"
    before = begin > 0 and words[begin - 1] not in MARKS
    return f"{OPEN if before else ''}{text}{'' if words[end - 1] in MARKS else ' ' + OPEN}".strip()


def sentences(words: Sequence[str]) -> list[tuple[str, ...]]:
    """The words in sentences, each with its end."""
    found: list[tuple[str, ...]] = []
    begin = 0
    for place, one in enumerate(words, 1):
        if one in ENDS:
            found.append(tuple(words[begin:place]))
            begin = place
    return found
