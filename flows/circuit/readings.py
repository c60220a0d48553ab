"""What a meter would show on a furnace, free of the meter's random error.

Every function takes one Furnace or n of them and returns an array of the
furnace's shape. Accuracy and rounding belong to flows.judge.measured.
"""

from __future__ import annotations

import numpy as np

from flows.circuit.flame import Source, lit_volts, rod_circuit, rod_source
from flows.circuit.furnace import OPEN, Furnace, in_blocks
from flows.circuit.network import check_points, dead, live
from flows.circuit.nodal import Thevenin, port
from flows.errors import CalculationError

ROD_SIDE = ("board_rod_terminal", "connector_in", "connector_out", "rod_wire_end", "rod", "rod_blade")
RETURN_SIDE = ("burner", "chassis", "board_ground")


def volts(
    furnace: Furnace, a: str, b: str, lit: bool = False, powered: bool = True, plugged: bool = True
) -> np.ndarray:
    """AC volts (rms) shown with the leads on points a and b, meter's load included.

    lit: the flame burns. powered: the furnace switch is on. plugged: the rod wire is on the rod.
    With a lead on the rod wire and the flame lit the distorted wave is solved
    exactly; the flame's microamps do not count between other points.
    Raises CalculationError for unknown points, and for points between which a
    lit reading is not modelled (from the rod to anything but the ground path).
    """
    check_points(a, b)
    if not (lit and plugged and powered and {a, b} & set(ROD_SIDE)):
        return in_blocks(lambda f: _volts(f, a, b, lit, powered, plugged), furnace)
    if not {a, b} <= {*ROD_SIDE, *RETURN_SIDE}:
        raise CalculationError(
            f"With the flame lit there is no reading from '{a}' to '{b}'.",
            f"Put the other lead on one of: {', '.join(RETURN_SIDE)}.",
        )
    return in_blocks(lambda f: _lit_rod_volts(f, a, b), furnace)


def _volts(f: Furnace, a: str, b: str, lit: bool, powered: bool, plugged: bool) -> np.ndarray:
    return shown_volts(f, port(live(f, powered, lit, plugged), a, b))


def shown_volts(f: Furnace, source: Thevenin) -> np.ndarray:
    """What the meter on AC volts shows across that Thévenin source (sine wave)."""
    open_volts, behind = source
    shown = np.abs(open_volts * f.input_ohms / (f.input_ohms + _leads(f) + behind))
    return np.where(_true(f.wrong_function), 0.0, shown)


def _lit_rod_volts(f: Furnace, a: str, b: str) -> np.ndarray:
    """The AC part only: on AC the meter blocks the rod's direct volts, which are all it shows on DC."""
    meter = f.input_ohms + _leads(f)
    direct, alternating = lit_volts(f, a, b, meter)
    return np.where(_true(f.wrong_function), direct, alternating) * f.input_ohms / meter


def ohms(furnace: Furnace, a: str, b: str, plugged: bool = True) -> np.ndarray:
    """Ω shown with the power off, leads' own resistance included; inf is over limit.

    Raises CalculationError for unknown points.
    """
    check_points(a, b)

    def shown(f: Furnace) -> np.ndarray:
        _, path = port(dead(f, plugged), a, b)
        return _shown_ohms(f, np.real(path) + _leads(f))

    return in_blocks(shown, furnace)


def leads_together(furnace: Furnace) -> np.ndarray:
    """Ω shown with the two leads held together."""
    return in_blocks(lambda f: _shown_ohms(f, _leads(f)), furnace)


def flame_current(furnace: Furnace) -> np.ndarray:
    """Average DC A through a meter in series at the rod's end of the wire, flame lit; positive towards the flame.

    With the meter on AC microamps (wrong_function) the rms of the alternating part.
    """
    return in_blocks(lambda f: shown_flame_current(f, rod_source(f)), furnace)


def sense_current(furnace: Furnace) -> np.ndarray:
    """DC A that the board's sensing input receives, flame lit, no meter in the circuit."""
    return in_blocks(lambda f: rod_circuit(f).sense_average(), furnace)


def board_proves_flame(furnace: Furnace) -> np.ndarray:
    """bool: the board keeps the gas on with the flame lit."""
    return in_blocks(lambda f: proves(f, rod_source(f)), furnace)


def shown_flame_current(f: Furnace, source: Source) -> np.ndarray:
    """flame_current of one block of furnaces whose rod source is at hand."""
    open_circuit = _true(f.fuse_blown) | _true(f.lead_open)
    circuit = rod_circuit(f, series_ohms=f.lead_ohms + f.burden_ohms, source=source)
    shown = circuit.series_average()
    wrong = _true(f.wrong_function)
    if np.any(wrong):
        shown = np.where(wrong, circuit.moments(circuit.positive.series, circuit.negative.series)[1], shown)
    return np.where(open_circuit, 0.0, shown)


def proves(f: Furnace, source: Source) -> np.ndarray:
    """board_proves_flame of one block of furnaces whose rod source is at hand."""
    return np.asarray((rod_circuit(f, source=source).sense_average() >= f.sense_threshold) & ~_true(f.sense_broken))


def _leads(f: Furnace) -> np.ndarray:
    return f.lead_ohms + np.where(_true(f.lead_open), OPEN, 0.0)


def _shown_ohms(f: Furnace, path: np.ndarray) -> np.ndarray:
    shown = np.where(path > f.ohms_top, np.inf, path)
    return np.where(_true(f.wrong_function), 0.0, shown)


def _true(flag: float | np.ndarray) -> np.ndarray:
    return np.asarray(flag) > 0.5
