"""Journal lines chained by hash: a line that was changed, moved or taken out is found. Pure.

Each line of version 2 ends with `chain`: the SHA-256, in hex, of the chain of
the line before (nothing for the first), a line feed, and the line's own
canonical JSON without `chain`. Lines of version 1 carry none, but count in
the chain of what follows them.

There is no secret in it. Whoever rewrites a whole journal can chain it anew;
then its seal, the last line's chain, is another than the one that a report,
a desk or a store was given before.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

Event = dict[str, Any]
START = ""
ENCODE = json.JSONEncoder(sort_keys=True, separators=(",", ":"), allow_nan=False).encode
"""Canonical JSON: keys sorted, no spaces, ASCII; equal lines give equal text on every machine."""


@dataclass(frozen=True)
class Checked:
    """What became of checking a journal.

    state: "whole", "broken", or "unchained" (written before lines were chained).
    line: the first line that does not fit, from 1. seal: the chain of the last line.
    """

    state: Literal["whole", "broken", "unchained"]
    line: int = 0
    seal: str = START

    @property
    def words(self) -> str:
        """One sentence for a person."""
        if self.state == "whole":
            return f"Every line is as it was written (seal {self.seal[:16]})."
        if self.state == "broken":
            return f"It does not verify: line {self.line} was changed, moved, or a line before it is missing."
        return "It was written before lines were chained, so nobody can tell whether it was changed."


def link(before: str, event: Event) -> str:
    """The chain of a line. before: the chain of the line before it. Raises ValueError for what JSON cannot hold."""
    own = ENCODE({key: value for key, value in event.items() if key != "chain"})
    return hashlib.sha256(f"{before}\n{own}".encode("ascii")).hexdigest()


def seal_of(events: Iterable[Event]) -> str:
    """The chain of the last line, worked out from all lines, whatever they say of themselves."""
    chain = START
    for event in events:
        chain = link(chain, event)
    return chain


def check(events: Iterable[Event]) -> Checked:
    """Whether the lines are those that were written. A journal cut short at its end cannot be told from one that was
    not gone on with."""
    chain, chained = START, False
    for number, event in enumerate(events, start=1):
        try:
            chain = link(chain, event)
        except (ValueError, TypeError):
            return Checked("broken", number)
        if "chain" in event or chained:
            chained = True
            if event.get("chain") != chain:
                return Checked("broken", number)
    return Checked("whole" if chained else "unchained", 0, chain)
