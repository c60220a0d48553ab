"""A hand meter and the hands that hold it: ranges, rounding, errors within specification, and slips.

Second furnace world. Any one may read it. The two meters are invented, their figures typical of the class (common
practice).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

AC_VOLTS, OHMS, MICROAMPS, WORD = "ac_volts", "ohms", "dc_amperes", "word"


@dataclass(frozen=True)
class Meter:
    """`resolution`: of each quantity's lowest range, SI; ranges go up by ten to `ceiling`. `accuracy`: (share of the
    reading, digits of the last place) by quantity. `burden`: ohms of the microampere shunt. `rejection`: how much of
    an alternating current leaks into a direct one's reading, as a share (one standard deviation)."""

    counts: int
    resolution: dict[str, float]
    ceiling: dict[str, float]
    accuracy: dict[str, tuple[float, int]]
    input_ohms: float = 10e6
    input_farads: float = 8e-11
    burden: float = 100.0
    rejection: float = 3e-4


METER_6000 = Meter(
    6000,
    {AC_VOLTS: 1e-3, OHMS: 0.1, MICROAMPS: 1e-8},
    {AC_VOLTS: 600.0, OHMS: 60e6, MICROAMPS: 600e-6},
    {AC_VOLTS: (0.01, 3), OHMS: (0.009, 3), MICROAMPS: (0.01, 3)},
)
METER_5000 = Meter(
    5000,
    {AC_VOLTS: 1e-2, OHMS: 0.1, MICROAMPS: 1e-7},
    {AC_VOLTS: 500.0, OHMS: 50e6, MICROAMPS: 500e-6},
    {AC_VOLTS: (0.012, 4), OHMS: (0.012, 4), MICROAMPS: (0.015, 2)},
    burden=1000.0,
)


@dataclass(frozen=True)
class Shown:
    """What stands on the display: a value in SI, or over limit. `step`: the last place's weight."""

    value: float | None
    over_limit: bool
    step: float


def display(value: float, quantity: str, meter: Meter) -> Shown:
    """The display for a value that the meter has measured: the lowest range that holds it, rounded to that range's
    last place."""
    step = meter.resolution[quantity]
    size = abs(value)
    while size > meter.counts * step and meter.counts * step < meter.ceiling[quantity] * 0.999:
        step *= 10
    if size > min(meter.counts * step, meter.ceiling[quantity]) * (1 + 1e-9) or not math.isfinite(value):
        return Shown(None, True, step)
    return Shown(float(round(value / step) * step), False, step)


def number(value: float, quantity: str, meter: Meter) -> float:
    """The displayed number of a value that the meter can show. Raises ValueError when it is over the limit."""
    shown = display(value, quantity, meter)
    if shown.value is None:
        raise ValueError(f"{value:.3g} is over the meter's limit for {quantity}")
    return shown.value


def measured(value: float, quantity: str, meter: Meter, rng: np.random.Generator) -> float:
    """The value with an error inside the meter's specification (two standard deviations at its limit)."""
    share, digits = meter.accuracy[quantity]
    step = display(value, quantity, meter).step
    found = value * (1 + rng.normal(0, share / 2)) + rng.normal(0, digits / 2) * step
    return max(found, 0.0) if quantity != MICROAMPS else found


@dataclass(frozen=True)
class Hands:
    """How often hands and eyes err, a share of readings (engineering judgement)."""

    transposed: float = 0.002  # two digits change places
    point: float = 0.0015  # the decimal point slips by one place
    wrong_dial: float = 0.002  # the dial stands on another quantity
    poor_contact: float = 0.004  # a tip on paint, rust or air
    swapped_leads: float = 0.06  # only where a sign shows
    misseen: float = 0.08  # a flame judged wrongly by eye
    misjudged: float = 0.01  # the wrong answer to a plain yes or no


STEADY_HANDS = Hands(0, 0, 0, 0, 0, 0, 0)


@dataclass(frozen=True)
class ProbeAnswer:
    """One answer. `value` SI, None when over limit, in words, or when nothing could be read; `low`, `high` when it
    jumps.

    `word`: what was said ("yes", "no", "never lit", or how the flame looked). `mishap`: what went wrong in taking it,
    empty when nothing did; whoever is judged is not told it."""

    probe: str
    quantity: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    over_limit: bool = False
    word: str | None = None
    mishap: str = field(default="", repr=False)


def slipped(shown: Shown, hands: Hands, rng: np.random.Generator) -> tuple[float, str]:
    """The number as said, and the slip's name (empty: none). Raises ValueError for a display that shows no number."""
    if shown.value is None:
        raise ValueError("nothing to slip: the display is over its limit")
    value, chance = shown.value, rng.random()
    if chance < hands.transposed:
        digits = list(str(abs(round(value / shown.step))))
        places = [k for k in range(len(digits) - 1) if digits[k] != digits[k + 1]]
        if places:
            k = places[int(rng.integers(len(places)))]
            digits[k], digits[k + 1] = digits[k + 1], digits[k]
            return math.copysign(int("".join(digits)) * shown.step, value), "transposed"
    elif chance < hands.transposed + hands.point:
        return value * (10.0 if rng.random() < 0.5 else 0.1), "point"
    return value, ""
