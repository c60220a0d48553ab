"""What a meter's display makes of a true value: its error and its resolution."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from flows.judge.measured import Measured, measured_value
from flows.judge.profiles import Meter


@dataclass(frozen=True)
class Specimen:
    """One meter out of the many of its kind.

    gain: quantity -> its own fixed error, as a share of the allowed percentage (-1 to 1).
    offset: the same for the digits that do not come anew with every reading.
    """

    meter: Meter
    gain: Mapping[str, float]
    offset: Mapping[str, float] = field(default_factory=dict)


def specimen(meter: Meter, rng: np.random.Generator) -> Specimen:
    """A meter within its accuracy, drawn evenly."""
    gain, offset = ({name: float(rng.uniform(-1, 1)) for name in sorted(meter.functions)} for _ in range(2))
    return Specimen(meter, gain, offset)


def display(value: float, quantity: str, one: Specimen, rng: np.random.Generator) -> float:
    """What the display shows (SI) of the true `value` (SI): inf when it cannot.

    The percentage and most of the digits are this specimen's own and fixed
    (see flows.judge.measured.Scale); the digits that repeat allows are drawn evenly
    anew each time; the sum stays within the accuracy table.
    """
    function = one.meter.function(quantity)
    if not abs(value) <= function.ranges[-1].top:
        return math.inf
    resolution = function.range_for(value).resolution
    anew = function.anew
    counts = one.offset.get(quantity, 0.0) * (function.digits - anew) + rng.uniform(-1, 1) * anew
    off = abs(value) * function.percent / 100 * one.gain[quantity] + counts * resolution
    shown = value + off
    if quantity != "dc_amps":
        # Rectified volts and ohms never show below zero.
        shown = max(shown, 0.0)
    resolution = function.range_for(shown).resolution
    shown = round(shown / resolution) * resolution
    return shown if abs(shown) <= function.ranges[-1].top else math.inf


def as_measured(shown: float, quantity: str, meter: Meter) -> Measured:
    """A displayed value (SI, inf for over limit) as evidence."""
    return measured_value(shown, quantity, meter)
