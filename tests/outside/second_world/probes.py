"""What a technician reads on a furnace, probe by probe. `PROBES` names them; the package's docstring says what each
returns.

Second furnace world. Whoever builds or tunes the product may not read this module nor fit anything to it; whoever
judges may.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tests.outside.second_world.fire import burn
from tests.outside.second_world.meter import (
    AC_VOLTS,
    METER_6000,
    MICROAMPS,
    OHMS,
    WORD,
    Hands,
    Meter,
    ProbeAnswer,
    display,
    measured,
    number,
    slipped,
)
from tests.outside.second_world.nodal import EARTH, OPEN
from tests.outside.second_world.plant import OMEGA, Plant, circuit

if TYPE_CHECKING:
    from tests.outside.second_world.population import Furnace

# probe: (quantity, the two points, how the rod wire is) for what one linear circuit answers
_VOLTS = {
    "supply_hot_neutral": ("h", "n", "on"),
    "supply_hot_ground": ("h", "x", "on"),
    "supply_neutral_ground": ("n", "x", "on"),
    "secondary_r_c": ("r", "c", "on"),
    "line_to_r": ("h", "r", "on"),
    "rod_to_ground": ("w1", "b", "off rod"),
    "rod_plugged_to_ground": ("w1", "b", "on"),
    "board_rod_terminal": ("fs", "x", "off board"),
    "secondary_c_ground": ("c", "x", "on"),
    "chassis_to_earth": ("x", EARTH, "on"),
}
_PATHS = {
    "ground_path": ("b", "bg"),
    "burner_to_chassis": ("b", "x"),
    "chassis_to_board_ground": ("x", "bg"),
    "ground_wire_to_chassis": ("gw", "x"),
    "common_to_chassis": ("c", "x"),
}
_PARTS = (
    "leads_together",
    "rod_wire",
    "rod_wire_to_chassis",
    "rod_insulation",
    "rod_through",
    "rod_surface",
    "rod_connector",
)
_CURRENTS = ("flame_current", "flame_current_after_cleaning", "flame_current_wiggled")
_WORDS = ("board_proves_flame", "flame_seen")
PROBES: dict[str, str] = (
    dict.fromkeys(_VOLTS, AC_VOLTS)
    | dict.fromkeys((*_PATHS, *_PARTS), OHMS)
    | dict.fromkeys(_CURRENTS, MICROAMPS)
    | dict.fromkeys(_WORDS, WORD)
)
SEEN_TO_JUMP = 0.12  # of the reading: a display that wanders further is told as jumping
_LOOKS: dict[str, tuple[str, ...]] = {
    "steady": ("lazy", "lifting"),
    "lifting": ("steady", "lazy"),
    "lazy": ("steady", "lifting"),
    "not reaching rod": ("steady", "lazy"),
    "none": (),
}


def read(
    furnace: Furnace, probe: str, rng: np.random.Generator, *, meter: Meter = METER_6000, hands: Hands | None = None
) -> ProbeAnswer:
    """Take one reading. `hands`: how often people err; None for `Hands()`. Raises KeyError for an unknown probe."""
    hands = hands or Hands()
    quantity = PROBES[probe]
    if quantity == WORD:
        return _said(furnace, probe, hands, rng)
    if quantity == MICROAMPS:
        return _current(furnace, probe, meter, hands, rng)
    if rng.random() < hands.wrong_dial:
        # volts with the dial on direct volts show next to nothing; ohms with the dial elsewhere are called "open"
        zero = quantity == AC_VOLTS
        return ProbeAnswer(probe, quantity, 0.0 if zero else None, over_limit=not zero, mishap="wrong dial")
    contact = rng.random() < hands.poor_contact and probe != "leads_together"
    if quantity == AC_VOLTS:
        value = volts(furnace.plant, probe, meter)
        if contact:
            value *= float(rng.uniform(0.01, 0.9))
        value = abs(value * (1 + rng.normal(0, 0.003)))
    else:
        value = ohms(furnace, probe, rng)
        if contact:
            value += float(np.exp(rng.uniform(0, np.log(1e8))))
    shown = display(measured(value, quantity, meter, rng), quantity, meter)
    mishap = "poor contact" if contact else ""
    if shown.over_limit:
        return ProbeAnswer(probe, quantity, over_limit=True, mishap=mishap)
    said, slip = slipped(shown, hands, rng)
    return ProbeAnswer(probe, quantity, said, mishap=slip or mishap)


def volts(plant: Plant, probe: str, meter: Meter = METER_6000) -> float:
    """The alternating volts (RMS) with the meter's own input across the two points, powered, no call for heat."""
    a, b, wire = _VOLTS[probe]
    net = circuit(plant, lit=False, wire=wire)
    net.resistor(a, b, meter.input_ohms)
    net.capacitor(a, b, meter.input_farads)
    return float(abs(net.solve(OMEGA).volts(a, b)))


def lead_ohms(furnace: Furnace) -> float:
    """Both leads and tips of this visit's meter."""
    return float(np.random.default_rng((*furnace.seed, 2)).uniform(0.1, 0.4))


def ohms(furnace: Furnace, probe: str, rng: np.random.Generator) -> float:
    """The resistance between the tips, power off, leads included. Small contact ohms and a bad joint's mood are
    drawn."""
    plant = furnace.plant.warm() if furnace.ohms_while_warm else furnace.plant
    if probe == "leads_together":
        found = 0.0
    elif probe in _PATHS:
        found = circuit(plant, lit=False, powered=False, wire="off rod").resistance(*_PATHS[probe])
    else:
        found = _part(plant, probe, rng)
    if found > 5:
        found *= float(np.exp(rng.normal(0, 0.1)))
    return lead_ohms(furnace) + found + float(rng.uniform(0, 0.06))


def _part(plant: Plant, probe: str, rng: np.random.Generator) -> float:
    if probe == "rod_wire":
        return plant.r_wire
    if probe == "rod_wire_to_chassis":  # free at both ends; good insulation, whatever its figure, is over any limit
        return plant.r_wire_short
    if probe == "rod_insulation":
        around = plant.r_insulator + plant.r_rod + plant.r_burner
        across = plant.r_touch + plant.r_rod
        return around * across / (around + across)
    if probe == "rod_through":  # the far tip is scraped through to metal
        return plant.r_rod
    if probe == "rod_connector":
        return plant.r_plug
    # the face: the tip pierces the coat, or half pierces it, or rests on it; the meter's test voltage is too low to
    # punch it
    pierced = rng.random() < 0.5
    return plant.r_coat * float(np.exp(rng.uniform(np.log(1e-5), np.log(0.1)) if pierced else rng.normal(0, 0.5)))


def _current(furnace: Furnace, probe: str, meter: Meter, hands: Hands, rng: np.random.Generator) -> ProbeAnswer:
    if not furnace.lights:
        return ProbeAnswer(probe, MICROAMPS, word="never lit")
    plant = furnace.cleaned_plant if probe == "flame_current_after_cleaning" else furnace.plant
    sign = -1.0 if rng.random() < hands.swapped_leads else 1.0
    mishap = "swapped leads" if sign < 0 else ""
    cold, hot = _amperes(plant, meter, rng), _amperes(plant.warm(), meter, rng)
    spread = 2 * plant.flicker
    if rng.random() < hands.wrong_dial:  # alternating microamperes: the swing, not the mean
        swing = display(burn(plant).swing, MICROAMPS, meter)
        return ProbeAnswer(probe, MICROAMPS, swing.value, over_limit=swing.over_limit, mishap="wrong dial")
    if probe == "flame_current_wiggled":
        ends = _wiggled(plant.warm(), hot, meter, rng)
        low, high = sorted(number(sign * measured(end, MICROAMPS, meter, rng), MICROAMPS, meter) for end in ends)
        return ProbeAnswer(probe, MICROAMPS, low=low, high=high, mishap=mishap)
    now = hot * (1 + rng.normal(0, plant.flicker / 2))
    shown = display(sign * measured(now, MICROAMPS, meter, rng), MICROAMPS, meter)
    said, slip = slipped(shown, hands, rng)
    low, high = (now * (1 - spread), now * (1 + spread)) if spread > SEEN_TO_JUMP else (now, now)
    if abs(cold - hot) > 0.2 * max(abs(cold), abs(hot)):  # seen to fall (or rise) while the fire goes on
        low, high = min(cold, low), max(cold, high)
    if low == high:
        return ProbeAnswer(probe, MICROAMPS, said, mishap=slip or mishap)
    low, high = sorted(number(sign * end, MICROAMPS, meter) for end in (low, high))
    return ProbeAnswer(probe, MICROAMPS, said, low, high, mishap=slip or mishap)


def _amperes(plant: Plant, meter: Meter, rng: np.random.Generator) -> float:
    fire = burn(plant, shunt=meter.burden)
    return fire.amperes + fire.swing * float(rng.normal(0, meter.rejection))


def _wiggled(plant: Plant, rest: float, meter: Meter, rng: np.random.Generator) -> tuple[float, float]:
    """The lowest and highest current while wire and plug are wiggled; only what is loose answers."""
    low, high = rest * (1 - plant.flicker), rest * (1 + plant.flicker)
    if rng.random() >= plant.loose:
        return low, high
    share = 10 ** -float(rng.uniform(1, 8))
    firm = replace(plant, r_plug=max(plant.r_plug * share, 0.05), r_wire=max(plant.r_wire * share, 0.05))
    bad = replace(plant, r_plug=OPEN) if rng.random() < 0.7 else plant
    return min(low, _amperes(bad, meter, rng)), max(high, _amperes(firm, meter, rng))


def _said(furnace: Furnace, probe: str, hands: Hands, rng: np.random.Generator) -> ProbeAnswer:
    if probe == "flame_seen":
        form = furnace.plant.flame_form if furnace.lights else "none"
        if _LOOKS[form] and rng.random() < hands.misseen:
            return ProbeAnswer(probe, WORD, word=_LOOKS[form][int(rng.integers(2))], mishap="misseen")
        return ProbeAnswer(probe, WORD, word=form)
    if not furnace.lights:
        return ProbeAnswer(probe, WORD, word="never lit")
    answer = furnace.proves
    if rng.random() < hands.misjudged:
        return ProbeAnswer(probe, WORD, word="no" if answer else "yes", mishap="misjudged")
    return ProbeAnswer(probe, WORD, word="yes" if answer else "no")
