"""How much a file from outside may hold, stated in one place; and what is refused before anything is built from it.

Every reader of YAML, JSON lines and sound takes its limits from here. They are
many times what an honest file needs (the longest procedure that ships has
about 4,000 nodes, a day's visit about 2,000 lines), and small enough that the
worst file costs seconds and megabytes, never minutes and gigabytes.
"""

from __future__ import annotations

from typing import Any

YAML_BYTES = 1_000_000
YAML_DEPTH = 40
"""Mappings and lists within each other."""
YAML_NODES = 40_000
"""Keys, values and lists, an alias counted as all that it stands for."""
YAML_WORD = 20_000
"""Characters in one key or value."""
LARGEST_WHOLE = 2**63
"""Whole numbers stay below it, so that every database and every other program can hold them."""

JOURNAL_BYTES = 20_000_000
"""Bytes of one journal; a visit of a whole day has about a hundredth."""
LINE_BYTES = 1_000_000
LINE_DEPTH = 24
JOURNAL_LINES = 50_000

SOUND_BYTES = 500_000_000
SOUND_SECONDS = 3 * 3600.0 / 2
"""An hour and a half; as 16 kHz samples that is 173 MB in memory."""
SOUND_RATES = (4_000, 384_000)
"""Samples a second, least and most. Telephones have 8,000, studios 192,000."""
SOUND_CHANNELS = 8

TYPED_CHARACTERS = 500
"""Of one typed answer; what is longer is cut, and then not understood."""


def sound_problem(seconds: float, rate: int, channels: int) -> str:
    """Why a sound of this shape is not taken, as the end of a sentence; "" when it is."""
    least, most = SOUND_RATES
    if not least <= rate <= most:
        return f"it has {rate} samples a second, and {least} to {most} are taken"
    if not 1 <= channels <= SOUND_CHANNELS:
        return f"it has {channels} channels, and at most {SOUND_CHANNELS} are taken"
    if not 0 <= seconds <= SOUND_SECONDS:
        return f"it is {seconds / 60:.0f} minutes long, and at most {SOUND_SECONDS / 60:.0f} are taken"
    return ""


def deeper_than(value: Any, most: int) -> bool:
    """Whether dicts and lists lie in each other more than `most` deep. Does not recurse."""
    level, here = 0, [value]
    while here:
        inner: list[Any] = []
        for one in here:
            if isinstance(one, dict):
                inner += one.values()
            elif isinstance(one, list):
                inner += one
        level += any(isinstance(one, dict | list) for one in here)
        if level > most:
            return True
        here = [one for one in inner if isinstance(one, dict | list)]
    return False


def whole_text(text: str) -> str:
    """Text that every file, page and database takes: half characters (lone surrogates) become the sign for
    "unknown"."""
    return (
        text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
        if any("\ud800" <= one <= "\udfff" for one in text)
        else text
    )
