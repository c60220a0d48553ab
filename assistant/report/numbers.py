"""Values with their units as they are printed. Journal numbers come in SI, or as the words "over limit"."""

from __future__ import annotations

import math
from typing import Any

OVER, UNDER = "over limit", "minus over limit"
SCALES: dict[str, tuple[tuple[float, str, int], ...]] = {
    "ac_volts": ((0.0, "V", 1),),
    "dc_volts": ((0.0, "V", 1),),
    "ohms": ((0.0, "Ω", 2), (1e3, "kΩ", 2), (1e6, "MΩ", 2)),
    "dc_amps": ((0.0, "µA", 2), (1e-3, "mA", 2), (1.0, "A", 2)),
    "ac_amps": ((0.0, "A", 2),),
    "hertz": ((0.0, "Hz", 1),),
}
"""From which size (SI) a quantity is printed in which unit, with how many decimals."""
FACTORS = {"V": 1.0, "Ω": 1.0, "kΩ": 1e3, "MΩ": 1e6, "µA": 1e-6, "mA": 1e-3, "A": 1.0, "Hz": 1.0}


def number(value: Any) -> float:
    """A journal number as a float; "over limit" is infinity, what is no number is not-a-number."""
    if value in (OVER, UNDER, "under limit"):
        return math.inf if value == OVER else -math.inf
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def unit_of(quantity: str, value: float) -> tuple[str, int]:
    """The printed unit for a value of this size, and its decimals."""
    scales = SCALES.get(quantity, ((0.0, "", 2),))
    size = 0.0 if math.isnan(value) else abs(value)
    return next((unit, places) for least, unit, places in reversed(scales) if size >= least)


def shown(value: Any, quantity: str) -> str:
    """ "7.413 V", "7.41 µA", "over limit", or a dash for what is no number."""
    size = number(value)
    if math.isnan(size):
        return "–"
    if math.isinf(size):
        return OVER if size > 0 else UNDER
    unit, places = unit_of(quantity, size)
    return f"{in_unit(size, unit):.{places}f} {unit}".strip()


def in_unit(value: float, unit: str) -> float:
    """SI to the printed unit."""
    return value / FACTORS.get(unit, 1.0)


def plus_minus(low: Any, high: Any, quantity: str) -> str:
    """ "± 1.2 V": half the interval, in the unit of its middle; "" where there is none."""
    bottom, top = number(low), number(high)
    if not (math.isfinite(bottom) and math.isfinite(top)):
        return ""
    unit, places = unit_of(quantity, (bottom + top) / 2)
    half = in_unit((top - bottom) / 2, unit)
    return f"± {half:.{places if half >= 10**-places / 2 else places + 1}f} {unit}"
