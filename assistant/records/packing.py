"""A journal as bytes for the store: canonical JSON lines, compressed; and its digest."""

from __future__ import annotations

import hashlib
import json
import zlib
from typing import Any

from assistant.visit.chain import ENCODE
from grammar.guards import JOURNAL_BYTES

Event = dict[str, Any]


def canonical(events: list[Event]) -> bytes:
    """One line an event, keys sorted, so that equal events give equal bytes. Infinity is "over limit"."""
    try:
        return _lines(events)
    except ValueError:
        return _lines([finite(one) for one in events])


def _lines(events: list[Event]) -> bytes:
    return "\n".join(map(ENCODE, events)).encode("ascii")


def digest(body: bytes) -> str:
    """SHA-256 of canonical bytes, hex."""
    return hashlib.sha256(body).hexdigest()


def pack(body: bytes) -> bytes:
    return zlib.compress(body, 6)


def unpack(packed: bytes) -> list[Event]:
    """The events of a copy. Raises ValueError for what is none, or unpacks to more than a journal may have."""
    inflate = zlib.decompressobj()
    try:
        # Sorted keys and escapes make the canonical text longer than the journal was, never six times.
        body = inflate.decompress(packed, 6 * JOURNAL_BYTES)
    except zlib.error as error:
        raise ValueError(f"it cannot be unpacked ({error})") from error
    if not inflate.eof:
        raise ValueError("it is cut short or too large")
    return [json.loads(line) for line in body.decode("ascii").split("\n")]


def finite(value: Any) -> Any:
    """A copy of `value` with infinities and not-a-number as words, which JSON has no numbers for."""
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return "over limit" if value > 0 else "minus over limit" if value < 0 else "not a number"
    if isinstance(value, dict):
        return {key: finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [finite(one) for one in value]
    return value
