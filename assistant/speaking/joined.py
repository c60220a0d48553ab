"""A text out of pieces: the fewest that say it, joined so that nothing clicks."""

from __future__ import annotations

from collections.abc import Container, Sequence

import numpy as np

from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.settings import Joints
from assistant.speaking.shelf import Shelf
from assistant.speaking.words import ENDS, MARKS, OPEN, key

JOINT = 0.5
"""What a joint without a pause counts beside a piece, which counts one: a pause hides a joint."""
OTHER = 0.75
"""What a piece counts more that was spoken with a pause before it and stands where there is none, or the other way."""
Piece = tuple[int, int, str]
"""First word, the one after the last, and the key of the sound."""


def cover(words: Sequence[str], known: Container[str]) -> list[Piece] | None:
    """The pieces that say the words; None where none do.

    known: the keys that there are. Of all ways the one with the fewest pieces and joints is taken; a piece ends with
    its mark, and none goes over the end of a sentence.
    """
    count = len(words)
    best: list[tuple[float, int, str] | None] = [None] * count + [(0.0, count, "")]
    for begin in range(count - 1, -1, -1):
        if words[begin] in MARKS:
            continue
        joint = JOINT if begin and words[begin - 1] not in MARKS else 0.0
        for end in range(begin + 1, count + 1):
            rest = best[end]
            if rest is not None and not (end < count and words[end] in MARKS):
                for name, more in _names(key(words, begin, end)):
                    cost, here = 1 + joint + more + rest[0], best[begin]
                    if (here is None or cost < here[0]) and name in known:
                        best[begin] = cost, end, name
            if words[end - 1] in ENDS:
                break
    if not count or best[0] is None:
        return None
    found, begin = [], 0
    while begin < count:
        step = best[begin]
        assert step is not None  # a way leads on from every place that is come to
        found.append((begin, step[1], step[2]))
        begin = step[1]
    return found


def _names(name: str) -> tuple[tuple[str, float], ...]:
    """The key, and the same words with or without a pause before them."""
    other = name.removeprefix(f"{OPEN} ") if name.startswith(OPEN) else f"{OPEN} {name}"
    return (name, 0.0), (other, OTHER)


def spoken(shelf: Shelf, words: Sequence[str], joints: Joints) -> np.ndarray | None:
    """The words in the shelf's voice, float32 at 16 kHz, shape (n,); None where its pieces do not say all of them."""
    pieces = cover(words, shelf.keys)
    if pieces is None:
        return None
    out = np.zeros(0, np.float32)
    for begin, _, name in pieces:
        sound = shelf.piece(name)
        if not begin:
            out = sound
        elif (mark := words[begin - 1]) in MARKS:
            pause = np.zeros(round(joints.pauses[mark] * SAMPLE_RATE), np.float32)
            out = np.concatenate([out, pause, sound])
        else:
            out = _faded(out, sound, round(joints.fade * SAMPLE_RATE))
    return out


def _faded(before: np.ndarray, after: np.ndarray, over: int) -> np.ndarray:
    """One sound into the other over so many samples, of equal power."""
    over = min(over, len(before), len(after))
    way = np.sin(np.linspace(0, np.pi / 2, over)).astype(np.float32)
    middle = before[len(before) - over :] * way[::-1] + after[:over] * way
    return np.concatenate([before[: len(before) - over], middle, after[over:]])
