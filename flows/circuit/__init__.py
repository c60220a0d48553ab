"""The furnace's electrical path, solved: `read(furnace, probe)` gives what a meter would show.

nominal(profile) -> Furnace     a healthy one;  spread(furnace, rng, n) -> n around it
dataclasses.replace(furnace, coating_ohms=20e6) -> a fault
read(furnace, "flame_current") -> array;  read_many(furnace, keys) -> dict, faster;  volts, ohms, flame_current,
board_proves_flame
"""

from flows.circuit.furnace import OPEN, Furnace
from flows.circuit.network import POINTS
from flows.circuit.nominal import nominal, spread
from flows.circuit.probes import CircuitProbe, probe, read, read_many, table
from flows.circuit.readings import board_proves_flame, flame_current, leads_together, ohms, sense_current, volts

__all__ = [
    "OPEN",
    "POINTS",
    "CircuitProbe",
    "Furnace",
    "board_proves_flame",
    "flame_current",
    "leads_together",
    "nominal",
    "ohms",
    "probe",
    "read",
    "read_many",
    "sense_current",
    "spread",
    "table",
    "volts",
]  # fmt: skip
