"""What a meter would show on a furnace, free of the meter's random error.

Every function takes one Furnace or n of them and returns an array of the
furnace's shape. Accuracy and rounding belong to flows.measure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from flows.circuit.flame import RodCircuit, rod_circuit
from flows.circuit.furnace import OPEN, Furnace, in_blocks
from flows.circuit.network import check_points, dead, live
from flows.circuit.nodal import port

ROD_SIDE = ("board_rod_terminal", "rod_wire_end")
"""Points whose voltage under flame the exact solution gives."""
GROUND_SIDE = ("burner", "chassis", "board_ground", "ground")


def volts(furnace: Furnace, a: str, b: str, lit: bool = False, powered: bool = True, plugged: bool = True) -> NDArray:
    """AC volts (rms) shown with the leads on points a and b, meter's load included.

    lit: the flame burns. powered: the furnace switch is on. plugged: the rod wire is on the rod.
    Lit, and from the rod wire to the ground path, the flame's distorted wave is
    solved exactly; between other points the flame hardly matters and is left out.
    Raises CalculationError for unknown points.
    """
    check_points(a, b)
    rod = next((one for one in (a, b) if one in ROD_SIDE), None)
    if lit and powered and plugged and rod and {a, b} & set(GROUND_SIDE):
        return in_blocks(lambda f: _lit_rod_volts(f, rod), furnace)
    return in_blocks(lambda f: _volts(f, a, b, lit, powered, plugged), furnace)


def _volts(f: Furnace, a: str, b: str, lit: bool, powered: bool, plugged: bool) -> NDArray:
    open_volts, behind = port(live(f, powered, lit, plugged), a, b)
    shown = np.abs(open_volts * f.input_ohms / (f.input_ohms + _leads(f) + behind))
    return np.where(_true(f.wrong_function), 0.0, shown)


def _lit_rod_volts(f: Furnace, point: str) -> NDArray:
    """The AC part only: the meter blocks the rod's direct volts."""
    meter = f.input_ohms + _leads(f)
    circuit = rod_circuit(f, across_ohms=meter)
    current, positive = circuit.source_current()
    key = (lambda half: half.rod_end) if point == "rod_wire_end" else (lambda half: half.ohms)
    wave = current * np.where(positive, key(circuit.positive), key(circuit.negative))
    shown = np.std(wave, axis=0) * f.input_ohms / meter
    return np.where(_true(f.wrong_function), 0.0, shown)


def ohms(furnace: Furnace, a: str, b: str, plugged: bool = True) -> NDArray:
    """Ω shown with the power off, leads' own resistance included; inf is over limit.

    Raises CalculationError for unknown points.
    """
    check_points(a, b)

    def shown(f: Furnace) -> NDArray:
        _, path = port(dead(f, plugged), a, b)
        return _shown_ohms(f, np.real(path) + _leads(f))

    return in_blocks(shown, furnace)


def leads_together(furnace: Furnace) -> NDArray:
    """Ω shown with the two leads held together."""
    return in_blocks(lambda f: _shown_ohms(f, _leads(f)), furnace)


def flame_current(furnace: Furnace) -> NDArray:
    """Average DC A through a meter in series at the rod's end of the wire, flame lit; positive towards the flame.

    With the meter on AC microamps (wrong_function) the rms of the alternating part.
    """

    def shown(f: Furnace) -> NDArray:
        circuit = rod_circuit(f, series_ohms=_leads(f) + f.burden_ohms + np.where(_true(f.fuse_blown), OPEN, 0.0))
        average = circuit.series_average()
        wrong = _true(f.wrong_function)
        if np.any(wrong):
            average = np.where(wrong, _alternating(circuit), average)
        return np.where(_true(f.fuse_blown) | _true(f.lead_open), 0.0, average)

    return in_blocks(shown, furnace)


def _alternating(circuit: RodCircuit) -> NDArray:
    current, positive = circuit.source_current()
    return np.std(current * np.where(positive, circuit.positive.series, circuit.negative.series), axis=0)


def sense_current(furnace: Furnace) -> NDArray:
    """DC A that the board's sensing input receives, flame lit, no meter in the circuit."""
    return in_blocks(lambda f: rod_circuit(f).sense_average(), furnace)


def board_proves_flame(furnace: Furnace) -> NDArray:
    """bool: the board keeps the gas on with the flame lit."""

    def proves(f: Furnace) -> NDArray:
        return (rod_circuit(f).sense_average() >= f.sense_threshold) & ~_true(f.sense_broken)

    return in_blocks(proves, furnace)


def _leads(f: Furnace) -> NDArray:
    return f.lead_ohms + np.where(_true(f.lead_open), OPEN, 0.0)


def _shown_ohms(f: Furnace, path: NDArray) -> NDArray:
    shown = np.where(path > f.ohms_top, np.inf, path)
    return np.where(_true(f.wrong_function), 0.0, shown)


def _true(flag: float | NDArray) -> NDArray:
    return np.asarray(flag) > 0.5
