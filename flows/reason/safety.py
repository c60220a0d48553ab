"""What the readings themselves say of danger, by the plain limits of the family.

No probability has a say here: swapped polarity, a missing ground and a supply out
of its band are reported whatever else is found, and are never outvoted. The last of
them harms the furnace; it is no danger to a person by itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from flows.faults import catalog
from flows.judge.measured import Measured
from flows.judge.profiles import Equipment


def compulsory() -> tuple[str, ...]:
    """The probes that come first, in their order: supply, polarity and ground."""
    return tuple(name for name, one in catalog.probes().items() if one.compulsory)


def findings(evidence: Mapping[str, object], equipment: Equipment) -> tuple[str, ...]:
    """Ids of the faults that the readings show by the plain limits; empty when all are within them.

    evidence: probe id -> Measured; other kinds of answer, and probes not taken, are passed over.
    """
    hot = _volts(evidence, "supply_hot_neutral")
    found = [*_supply(hot, equipment), *_ground(hot, evidence, equipment)]
    bond = _volts(evidence, "ground_wire_to_chassis")
    if bond is not None and bond > equipment.limit("ground_path_bad").value:
        found.append("chassis_bond_rusty")
    if evidence.get("flame_seen") == "lifting":
        found.append("flame_lifting")
    return tuple(dict.fromkeys(found))


def _volts(evidence: Mapping[str, object], probe: str) -> float | None:
    one = evidence.get(probe)
    if not isinstance(one, Measured):
        return None
    return math.inf if one.over_limit else one.value


def _supply(hot: float | None, equipment: Equipment) -> list[str]:
    if hot is None or hot < catalog.settings().supply_least * equipment.supply_nominal:
        # Nothing between hot and neutral is no low supply: an open wire, or a lead.
        return []
    if hot < equipment.limit("supply_low").value:
        return ["supply_low"]
    return ["supply_high"] if hot > equipment.limit("supply_high").value else []


def _ground(hot: float | None, evidence: Mapping[str, object], equipment: Equipment) -> list[str]:
    to_ground, neutral = _volts(evidence, "supply_hot_ground"), _volts(evidence, "supply_neutral_ground")
    supply = equipment.supply_nominal
    most, least = catalog.settings().supply_most, catalog.settings().supply_least
    if hot is not None and hot < least * supply:
        return ["neutral_open"] if to_ground is not None and to_ground > most * supply else []
    whole = supply if hot is None else hot
    if to_ground is not None and neutral is not None:
        if to_ground < least * whole and neutral > most * whole:
            return ["polarity_reversed"]
        if least * whole < to_ground < most * whole and least * whole < neutral < most * whole:
            return ["supply_floating"]
    found = []
    if to_ground is not None and abs(to_ground - whole) > equipment.limit("line_to_ground_share").value * whole:
        found.append("ground_open")
    if neutral is not None and not found and neutral > equipment.limit("neutral_to_ground").value:
        found.append("neutral_high_resistance")
    return found
