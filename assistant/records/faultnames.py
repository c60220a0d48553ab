"""What a fault id is called, what is said of it, and whether it blames the board."""

from __future__ import annotations

from functools import lru_cache

from flows.faults import catalog

JOIN = catalog.JOIN


def fault_name(fault: str | None) -> str:
    """The fault's name in plain words; "no fault found" for none. An id that no file knows is spelt out."""
    if not fault or fault == catalog.HEALTHY:
        return "no fault found"
    return " and ".join(one.name if one else part.replace("_", " ") for part, one in _parts(fault))


def sentence_on(fault: str) -> str:
    """What is said of the fault, in a sentence each for two faults at once."""
    return " ".join(
        one.says if one else f"The readings point at this: {part.replace('_', ' ')}." for part, one in _parts(fault)
    )


def advice_on(fault: str) -> str:
    """What to do about it; "" when no file knows."""
    return " ".join(one.next for _, one in _parts(fault) if one)


def probe_name(probe: str) -> str:
    """What the probe touches, in plain words."""
    known = catalog.probes().get(probe)
    return known.name if known else probe.replace("_", " ")


def blames_board(fault: str | None) -> bool:
    """Whether the board is, or is one of, the faults named."""
    return any((one.family == "board") if one else part.startswith("board") for part, one in _parts(fault or ""))


def _parts(fault: str) -> list[tuple[str, catalog.Fault | None]]:
    known = _known()
    return [(part, known.get(part)) for part in fault.split(JOIN)]


@lru_cache
def _known() -> dict[str, catalog.Fault]:
    return catalog.faults().faults
