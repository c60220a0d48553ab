"""A display of the practice furnace's meter in words."""

from __future__ import annotations

import math

from flows.faults.lessons import lessons
from flows.judge.profiles import Meter


def as_displayed(shown: float, quantity: str, meter: Meter) -> str:
    """The display in words (SI in, finite): every digit of the range, and the unit."""
    resolution = meter.function(quantity).range_for(shown).resolution
    value, step, unit = shown, resolution, "volts"
    if quantity == "dc_amps":
        value, step, unit = shown * 1e6, resolution * 1e6, "microamps"
    elif quantity == "ohms":
        size = 1e6 if resolution >= 1e3 else 1e3 if resolution >= 1 and shown > 600 else 1.0
        value, step, unit = shown / size, resolution / size, {1e6: "megohms", 1e3: "kilohms", 1.0: "ohms"}[size]
    decimals = max(0, round(-math.log10(step)))
    return lessons().lines[unit].format(n=f"{value:.{decimals}f}")
