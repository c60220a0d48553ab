"""What the lit furnace does: the flame current, the board's sense voltage, whether the board keeps the gas on.

Second furnace world. Whoever builds or tunes the product may not read this module nor fit anything to it; whoever
judges may.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from tests.outside.second_world.periodic import steady_state
from tests.outside.second_world.plant import OMEGA, Plant, circuit

LOWEST_SECONDARY = 18.0  # volts under load at which a 24 V gas valve still pulls in (engineering judgement)
LEAST_HOT_TO_GROUND = 0.75  # of hot to neutral, for boards that check their supply (engineering judgement)


@dataclass(frozen=True)
class Fire:
    """`amperes`: direct current the flame draws out of the rod terminal, positive for a rectifying flame;
    `sense_volts` at the board's comparator, positive for flame; `swing`: alternating amperes (RMS) at the terminal;
    `in_step`: feed in phase with R."""

    amperes: float
    sense_volts: float
    swing: float
    in_step: bool


@lru_cache(maxsize=256)
def burn(plant: Plant, *, shunt: float = 0.01) -> Fire:
    """The periodic steady state with flame, as the plant stands (call `.warm()` first for a hot one)."""
    net = circuit(plant, lit=True, shunt=shunt)
    state = steady_state(net, "face", "b", plant.law(), OMEGA)
    feed = "h" if plant.feed == "line" else "r" if plant.feed == "secondary" else "f"
    low = "s" if plant.sense == "return" else plant.home
    step = state.swing.volts(feed, low) * state.swing.volts("r", "c").conjugate()
    return Fire(
        amperes=float(state.mean["terminal"].real),
        sense_volts=-float(state.mean.volts("s", plant.home).real),
        swing=float(abs(state.swing["terminal"])),
        in_step=bool(step.real > 0),
    )


def lights(plant: Plant) -> bool:
    """Whether a flame comes at all: gas and spark are there, the secondary holds the valve, the board lets ignition
    begin."""
    if plant.flame_form == "none":
        return False
    if plant.checks_supply:
        idle = circuit(plant, lit=False).solve(OMEGA)
        if abs(idle.volts("h", "bg")) < LEAST_HOT_TO_GROUND * abs(idle.volts("h", "n")):
            return False
    loaded = circuit(plant, lit=True).solve(OMEGA).volts("r", "c")
    return bool(abs(loaded) >= LOWEST_SECONDARY)


def proves(plant: Plant) -> bool:
    """Whether the board keeps the gas on: flame lit, comparator tripped cold and warm."""
    if plant.deaf or not lights(plant):
        return False
    for state in {plant, plant.warm()}:
        fire = burn(state)
        if fire.sense_volts < plant.threshold_volts or (plant.synchronous and not fire.in_step):
            return False
    return True


def threshold_current(plant: Plant) -> float:
    """The direct current at which the comparator trips, amperes; a divider on the board takes its share beside the
    filter."""
    beside = (plant.r_filter + plant.r_sense) / plant.r_divider if plant.sense == "shunt" else 0.0
    return plant.threshold_volts / plant.r_sense * (1 + beside)


def cleaned(plant: Plant, residue: float) -> Plant:
    """The rod rubbed bright: `residue` ohms of coat are left, and the area that the coat had taken is back."""
    return replace(plant, r_coat=min(plant.r_coat, residue), coat_mask=1.0)
