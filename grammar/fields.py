"""Lines with {names} to fill in, taken for just that: no formats, no conversions, no looking inside.

Python's own formatting does far more ("{x:>400000000}" makes 400 MB of
spaces, "{x.y}" looks into objects); lines come from files that others write.
"""

from __future__ import annotations

import string


def fields_in(text: str) -> frozenset[str]:
    """The names that a line fills in. Raises ValueError, in plain words, for anything but {name}, {{ and }}."""
    found = set()
    for _, name, form, conversion in string.Formatter().parse(text):
        if name is None:
            continue
        if not name.isidentifier() or form or conversion:
            raise ValueError(f"'{{{name[:20]}...}}' is more than a name between braces")
        found.add(name)
    return frozenset(found)


def only_names(text: str) -> str:
    """The same text, when it fills in nothing but names; for validators. Raises ValueError."""
    fields_in(text)
    return text
