"""Answers as plain data and back, so that a visit can be replayed from its journal."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from assistant.errors import JournalError
from grammar.answers import Answer, Choice, Command, Reading, Unclear
from grammar.guards import whole_text

OVER = "over limit"
"""How infinity is written in the journal."""


def plain(value: Any) -> Any:
    """A value that JSON can hold: infinity becomes words, tuples become lists, half characters the sign for
    "unknown"."""
    if isinstance(value, str):
        return whole_text(value)
    if isinstance(value, float) and math.isinf(value):
        return OVER if value > 0 else f"minus {OVER}"
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return value


def number(value: Any) -> Any:
    """The inverse of `plain` for one number."""
    if value == OVER:
        return math.inf
    if value == f"minus {OVER}":
        return -math.inf
    return value


def to_data(answer: Answer) -> dict[str, Any]:
    """An answer as plain data with its type."""
    return {"type": type(answer).__name__.lower(), **plain(asdict(answer))}


def from_data(data: dict[str, Any]) -> Answer:
    """The answer that `to_data` wrote. Raises JournalError for anything else."""
    fields = {key: value for key, value in data.items() if key != "type"}
    try:
        match data.get("type"):
            case "reading":
                return _reading(fields)
            case "command":
                return Command(**fields)
            case "choice":
                given = fields.pop("correction", None)
                return Choice(**fields, correction=_reading(given) if given else None)
            case "unclear":
                given, weak = (fields.pop(name, None) for name in ("reading", "weak"))
                between = tuple(map(_reading, fields.pop("between", ())))
                return Unclear(
                    **fields,
                    reading=_reading(given) if given else None,
                    between=between,
                    weak=_reading(weak) if weak else None,
                )
    except (TypeError, AttributeError, ValueError) as error:
        raise JournalError(
            f"The journal holds an answer that cannot be read ({error}).",
            "Start a new visit; the readings so far stay in the record.",
        ) from error
    raise JournalError(
        f"The journal holds an unknown kind of answer: {data.get('type')}.", "Use the program version that wrote it."
    )


def _reading(fields: dict[str, Any]) -> Reading:
    return Reading(**{key: number(value) for key, value in fields.items()})
