"""A reading with the meter's own error, and the three verdicts it can lead to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from uncertainties import UFloat, ufloat

from flows.profiles import Limit, Meter
from grammar.answers import Reading

COVERAGE = 2.0
"""Coverage factor k of every interval: about 95 % (JCGM 100:2008, 6.3.3)."""

Outcome = Literal["pass", "fail", "close"]


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty, both SI.

    low, high: the interval of coverage COVERAGE, widened to the ends of a
    spoken range. over_limit: the display could not show it (value is inf).
    """

    value: float
    u: float
    low: float
    high: float
    quantity: str
    over_limit: bool = False

    def as_ufloat(self) -> UFloat:
        return ufloat(self.value, self.u)


@dataclass(frozen=True)
class Verdict:
    """One judgement: what, why, by which limits.

    check: the calculation, such as "phasing". outcome: pass, fail or close.
    finding: a key for the reasons, such as "out_of_phase"; "" on pass.
    value, low, high: the judged number and its interval (SI, `unit` for speech).
    limits: name and Limit of each limit it was held against.
    line: id of the spoken line; numbers: what the line may say.
    """

    check: str
    outcome: Outcome
    finding: str
    value: float
    low: float
    high: float
    unit: str
    limits: tuple[tuple[str, Limit], ...]
    line: str
    numbers: tuple[tuple[str, float], ...] = ()


def measured(reading: Reading, meter: Meter) -> Measured:
    """The reading with the meter's error.

    The accuracy figure a (percent of reading plus digits) bounds the error;
    taken as rectangular its standard uncertainty is a/√3, and a spoken
    resolution s adds s/√12 (JCGM 100:2008, 4.3.7 and F.2.2.1).
    """
    if reading.over_limit:
        top = meter.function(reading.quantity).ranges[-1].top
        return Measured(math.inf, 0.0, top, math.inf, reading.quantity, over_limit=True)
    u = standard_error(reading.value, reading.quantity, meter, reading.step)
    u = math.hypot(u, (reading.high - reading.low) / math.sqrt(12))
    reach = COVERAGE * u
    return Measured(reading.value, u, min(reading.value - reach, reading.low), max(reading.value + reach, reading.high), reading.quantity)


def standard_error(value: float, quantity: str, meter: Meter, step: float = 0.0) -> float:
    """Standard uncertainty (SI) of the meter showing `value`, spoken to `step`.

    Nobody says which range the meter is on. A coarser spoken step than the
    lowest range would show speaks for a higher range, so its digits count.
    """
    function = meter.function(quantity)
    finest, coarsest = function.range_for(value).resolution, function.ranges[-1].resolution
    resolution = max(finest, min(step, coarsest))
    bound = abs(value) * function.percent / 100 + function.digits * resolution
    return math.hypot(bound / math.sqrt(3), max(step, resolution) / math.sqrt(12))
