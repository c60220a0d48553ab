"""What a fault id is called, and whether it blames the board."""

from __future__ import annotations

from functools import lru_cache

from flows.faults import catalog

JOIN = "+"
"""Joins the ids of two faults that are there at once."""


def fault_name(fault: str | None) -> str:
    """The fault's name in plain words; "no fault" for none. An id that no file knows is spelt out."""
    if not fault or fault == catalog.HEALTHY:
        return "no fault found"
    known = _known()
    return " and ".join(known[part].name if part in known else part.replace("_", " ") for part in fault.split(JOIN))


def blames_board(fault: str | None) -> bool:
    """Whether the board is, or is one of, the faults named."""
    known = _known()
    return any((known[part].family == "board") if part in known else part.startswith("board") for part in (fault or "").split(JOIN))


@lru_cache
def _known() -> dict[str, catalog.Fault]:
    return catalog.faults().faults
