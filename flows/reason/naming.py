"""When a fault may be named: sure enough, and for a board only once all else that could look the same was read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache

from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.reason.knowledge import Knowledge, chance_if_healthy
from flows.reason.mixture import Shown

CURRENT = "flame_current"
TRIFLE = 1e-7
"""Chances below this do not add up to anything."""


def named_and_unproven(
    knowledge: Knowledge,
    ranked: tuple[tuple[str, float], ...],
    evidence: Mapping[str, object],
    readings: Mapping[str, Shown],
) -> tuple[str | None, tuple[str, ...]]:
    """The fault that may be named, and the probes that stand between a likely board and its name."""
    settings = catalog.settings()
    top, chance = ranked[0]
    # Faults that are mended the same way need not be told apart before acting.
    same_repair = sum(p for name, p in ranked if repair(name) == repair(top))
    candidates = [top] if max(chance, same_repair) >= settings.sure else []
    present = present_in(ranked)
    candidates += [one for one in catalog.parts(top) if one != HEALTHY and present[one] >= settings.present]
    blocked: tuple[str, ...] = ()
    for name in candidates:
        missing = tuple(
            dict.fromkeys(
                probe for one in catalog.parts(name) for probe in _not_proven(knowledge, one, evidence, readings)
            )
        )
        if not missing:
            return name, ()
        blocked = blocked or missing
    return None, blocked


@lru_cache(maxsize=4096)
def repair(name: str) -> tuple[str, ...]:
    """What would be done about a fault or pair; equal for faults that are mended the same way."""
    return tuple(sorted({catalog.fault(one).next for one in catalog.parts(name)}))


def as_said(ranked: tuple[tuple[str, float], ...]) -> tuple[tuple[str, float], ...]:
    """The ranking as it is said: of the likeliest so much is held back as other worlds than the model's have shown.

    ranked: fault or pair -> probability, likeliest first, summing to 1; so is what comes back. The others share what
    is held back as they share the rest.
    """
    (top, chance), *others = ranked
    held = catalog.settings().held_back
    said = chance * (1 - max(held.get(one, held[catalog.OTHER]) for one in catalog.parts(top)))
    rest = sum(p for _, p in others)
    if not rest > 0 or said < others[0][1] * (1 - said) / rest:
        return ranked
    return ((top, said), *((name, p * (1 - said) / rest) for name, p in others))


def present_in(ranked: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Single fault -> the chance that it stands, alone or in a pair."""
    found: dict[str, float] = {}
    for name, chance in ranked:
        if chance < TRIFLE:
            continue
        for one in catalog.parts(name):
            found[one] = found.get(one, 0.0) + float(chance)
    return found


def _not_proven(
    knowledge: Knowledge, fault: str, evidence: Mapping[str, object], readings: Mapping[str, Shown]
) -> list[str]:
    """Of the probes that must come first, those not taken, and those that must read as on a healthy furnace and do
    not."""
    one = catalog.fault(fault)
    return [probe for probe in one.looked if probe not in evidence] + [
        probe for probe in one.needs if not _sound(knowledge, probe, evidence, readings)
    ]


def _sound(knowledge: Knowledge, probe: str, evidence: Mapping[str, object], readings: Mapping[str, Shown]) -> bool:
    if probe not in evidence:
        return False
    if probe not in readings:
        # Seen, not measured: sound is the answer that is usual without a fault.
        answers = catalog.probes()[probe].answers
        return evidence[probe] == max(answers, key=lambda one: answers[one])
    if probe == CURRENT and readings[probe].value < knowledge.equipment.limit("flame_sound").value:
        return False
    return chance_if_healthy(knowledge, probe, readings[probe]) >= catalog.settings().usual
