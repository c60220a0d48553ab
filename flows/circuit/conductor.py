"""Resistance of copper wire by gauge, length and temperature.

Diameter: ASTM B258, d = 0.005 in × 92^((36 − n)/39).
Resistivity and its temperature coefficient: annealed copper of 100 % IACS
(IEC 60028: 1.7241e-8 Ω·m and 0.00393 per kelvin at 20 °C).
"""

from __future__ import annotations

import math

from flows.errors import CalculationError

INCH = 0.0254
IACS_RESISTIVITY = 1.7241e-8
"""Ω·m at 20 °C."""
COPPER_COEFFICIENT = 0.00393
"""Relative rise in resistance per kelvin, from 20 °C."""
REFERENCE_CELSIUS = 20.0


def diameter(awg: int) -> float:
    """Metres. awg: 36 is the thinnest the formula was drawn for, 0 is 1/0, −3 is 4/0. Source: ASTM B258."""
    if not -3 <= awg <= 56:
        raise CalculationError(f"There is no wire gauge {awg}.", "Give a gauge from 56 (thin) to -3 (4/0).")
    return 0.005 * INCH * math.pow(92, (36 - awg) / 39)


def area(awg: int) -> float:
    """Square metres of copper in a solid wire."""
    return math.pi / 4 * diameter(awg) ** 2


def at_temperature(ohms: float, celsius: float) -> float:
    """A copper resistance given at 20 °C, taken to `celsius`."""
    return ohms * (1 + COPPER_COEFFICIENT * (celsius - REFERENCE_CELSIUS))


def resistance(awg: int, metres: float, celsius: float = REFERENCE_CELSIUS) -> float:
    """Ohms of a solid copper wire of that gauge and length (one way)."""
    if metres < 0:
        raise CalculationError(f"A wire cannot be {metres} m long.", "Give a length of 0 m or more.")
    return at_temperature(IACS_RESISTIVITY * metres / area(awg), celsius)
