"""A text out of pieces: the fewest that say it, joined so that nothing clicks."""

from __future__ import annotations

from collections.abc import Container, Sequence

import numpy as np

from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.settings import Joints
from assistant.speaking.shelf import Shelf
from assistant.speaking.words import ENDS, MARKS, key

JOINT = 0.5
"""What a joint without a pause counts beside a piece, which counts one: a pause hides a joint."""


def cover(words: Sequence[str], known: Container[str]) -> list[tuple[int, int]] | None:
    """The pieces, as first word and the one after the last, that say the words; None where none do.

    known: the keys that there are. Of all ways the one with the fewest pieces and joints is taken; a piece ends with
    its mark, and none goes over the end of a sentence.
    """
    count = len(words)
    best: list[tuple[float, int] | None] = [None] * count + [(0.0, count)]
    for begin in range(count - 1, -1, -1):
        if words[begin] in MARKS:
            continue
        joint = JOINT if begin and words[begin - 1] not in MARKS else 0.0
        for end in range(begin + 1, count + 1):
            rest = best[end]
            here = best[begin]
            if rest is not None and not (end < count and words[end] in MARKS):
                cost = 1 + joint + rest[0]
                if (here is None or cost < here[0]) and key(words, begin, end) in known:
                    best[begin] = cost, end
            if words[end - 1] in ENDS:
                break
    if not count or best[0] is None:
        return None
    found, begin = [], 0
    while begin < count:
        step = best[begin]
        assert step is not None  # a way leads on from every place that is come to
        found.append((begin, step[1]))
        begin = step[1]
    return found


def spoken(shelf: Shelf, words: Sequence[str], joints: Joints) -> np.ndarray | None:
    """The words in the shelf's voice, float32 at 16 kHz, shape (n,); None where its pieces do not say all of them."""
    pieces = cover(words, shelf.keys)
    if pieces is None:
        return None
    sounds = [shelf.piece(key(words, begin, end)) for begin, end in pieces]
    out = sounds[0]
    for (_, end), sound in zip(pieces, sounds[1:], strict=False):
        mark = words[end - 1]
        if mark in MARKS:
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
