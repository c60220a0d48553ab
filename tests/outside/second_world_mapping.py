"""The product's faults and probes in the words of the second world, matched by what their sentences mean.

Nothing of the second world's plant is read here: only its sheets, its readings and the sentences of its truth classes.
"""

from __future__ import annotations

import math

from flows.errors import FlowError
from flows.judge.profiles import Equipment, equipment

TRUTH_OF: dict[str, str] = {
    "healthy": "sound",
    "polarity_reversed": "supply_reversed",
    "ground_open": "ground_open_branch",
    "ground_bootleg": "ground_open_branch",
    "supply_low": "supply_low",
    "hot_high_resistance": "supply_low",
    "neutral_high_resistance": "supply_low",
    "supply_high": "supply_high",
    "neutral_open": "neutral_open",
    "supply_floating": "source_unbonded",
    "neutral_not_bonded": "source_unbonded",
    "chassis_bond_rusty": "ground_off_cabinet",
    "transformer_neutral_loose": "neutral_loose_transformer",
    "transformer_weak": "transformer_weak",
    "secondary_dead": "secondary_none",
    "secondary_swapped": "secondary_out_of_phase",
    "common_ungrounded": "common_unbonded",
    "board_ground_loose": "board_ground_loose",
    "board_rod_supply_low": "board_no_rod_volts",
    "board_not_sensing": "board_deaf",
    "rod_wire_open": "rod_wire_open",
    "board_plug_loose": "rod_wire_open",
    "wire_chafed": "rod_wire_shorted",
    "connector_resistance": "plug_resistive",
    "connector_fails_warm": "plug_fails_warm",
    "rod_coated": "rod_coated",
    "rod_open": "rod_broken",
    "rod_insulator_cracked": "insulator_leaking",
    "rod_insulator_damp": "insulator_leaking",
    "rod_insulator_leaks_warm": "insulator_leaks_warm",
    "rod_shorted": "rod_on_burner",
    "rod_misplaced": "rod_misplaced",
    "rod_wrong_part": "rod_misplaced",
    "burner_corroded": "burner_ground_poor",
    "burner_loose": "burner_ground_open",
    "flame_thin": "flame_weak",
    "flame_lifting": "flame_weak",
    "flame_no_carry": "flame_not_carried",
    "never_lit": "never_lights",
}
"""Fault -> truth class. Faults that the second world does not have (the meter's own, a wrong tap, an overloaded low
side, a weak board source) are missing: named there, they are wrong."""

MENDED_ALIKE = (
    frozenset({"board_no_rod_volts", "board_deaf", "board_threshold_high", "board_source_weak"}),
    frozenset({"plug_resistive", "plug_fails_warm"}),
    frozenset({"insulator_leaking", "insulator_leaks_warm", "rod_broken"}),
    frozenset({"burner_ground_poor", "burner_ground_open"}),
)
"""Truth classes whose sentences end in the same mend: a new board, the plug made good, a new rod, the burner's ground
made good."""
BOARD = MENDED_ALIKE[0]
RODS = frozenset(
    {"rod_coated", "rod_broken", "insulator_leaking", "insulator_leaks_warm", "rod_on_burner", "rod_misplaced"}
)
"""Truth classes that a new rod mends."""
SAME = {"board_threshold_high": "board_deaf"}
"""A board whose limit has drifted and one that is deaf: the product has one name for both, and one remedy, a new
board."""
SEEN = {"steady": "steady", "lifting": "lifting", "lazy": "lazy", "not reaching rod": "off_rod", "none": "none"}
PROVES = {"yes": "stays", "no": "goes", "never lit": "never_lit"}
JUMP = 1.25
"""High over low, of a current while wiggled or watched, from which it is said to jump or move (common practice)."""
SMALL = 0.15e-6
"""A: a swing below this is the display's own."""


def family(sheet: object) -> Equipment:
    """The equipment family that a technician would write from a maker's sheet: the printed figures over a plain
    family's."""
    plain = equipment("larkspur")
    low, high = sheet.healthy
    figures = {
        "rod_nominal": sheet.rod_volts,
        "rod_low": sheet.rod_volts * (1 - sheet.rod_tolerance),
        "rod_high": sheet.rod_volts * (1 + sheet.rod_tolerance),
        "flame_minimum": sheet.minimum,
        "flame_sound": low,
    }
    limits = {
        name: one.model_copy(update={"value": figures.get(name, one.value)}) for name, one in plain.limits.items()
    }
    circuit = plain.circuit.model_copy(update={"flame_current": math.sqrt(low * high)})
    changes = {
        "id": sheet.family, "name": sheet.family, "limits": limits, "circuit": circuit,
        "supply_nominal": sheet.supply_volts, "turns_ratio": sheet.turns,
    }  # fmt: skip
    return plain.model_copy(update=changes)


def shown(probe: str, readings: object) -> float | str:
    """What the second world's reading says in the product's terms: SI, inf over limit, or an answer. Raises FlowError
    for an unknown probe."""
    if probe == "flame_current_watched":
        return _moves(readings["flame_current"])
    one = readings[probe]
    if probe == "board_proves_flame":
        return PROVES[one.word]
    if probe == "flame_seen":
        return SEEN[one.word]
    if one.word == "never lit":
        return "never_lit"
    if probe == "flame_current_wiggled":
        return "jumps" if _swings(one.low, one.high) else "still"
    if one.over_limit:
        return math.inf
    if one.value is None:
        raise FlowError(f"The second world gave no value for '{probe}'.", "Look at what it answered.")
    return one.value


def _moves(one: object) -> str:
    if one.word == "never lit":
        return "never_lit"
    return "moves" if one.low is not None and _swings(one.low, one.high) else "holds"


def _swings(low: float | None, high: float | None) -> bool:
    if low is None or high is None:
        # Off the display at one end: that is a swing.
        return low is not high
    a, b = sorted((abs(low), abs(high)))
    return b - a > SMALL and b > JUMP * a


def same(classes: object) -> frozenset[str]:
    """Truth classes with those that the product does not tell apart under one name."""
    return frozenset(SAME.get(one, one) for one in classes)


def mends(named: frozenset[str], true: frozenset[str]) -> bool:
    """Whether what was named is there, or is mended as something that is there."""
    return all(one in true or any(one in group and group & true for group in MENDED_ALIKE) for one in named)


def truth(name: str) -> frozenset[str]:
    """The truth classes that a fault or pair of the product stands for; a fault the second world lacks stands for
    itself."""
    return frozenset(TRUTH_OF.get(one, one) for one in name.split("+"))
