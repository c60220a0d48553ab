"""A reading with the meter's own error, and the three verdicts it can lead to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from flows.judge.decision import Outcome
from flows.judge.distribution import Distribution
from flows.judge.profiles import Limit, Meter, MeterFunction
from flows.judge.rules import figure
from grammar.answers import Reading

NEAR = 1e-9
"""Relative slack when a value is held against the top of a range."""


@dataclass(frozen=True)
class Scale:
    """One function of a meter. percent: of the reading; digits, repeat: counts; ranges: (top, resolution), SI, rising.

    repeat: so many of the digits come anew with every reading; the rest, and
    the percentage, are this meter's own and the same in all readings of one range.
    """

    percent: float
    digits: int
    repeat: int
    ranges: tuple[tuple[float, float], ...]

    def shown_on(self, value: float, step: float = 0.0) -> tuple[float, float]:
        """Top and resolution (SI) of the range on which the meter shows `value`, spoken to `step`.

        Nobody says which range that is. A coarser spoken step than the lowest
        range would show speaks for a higher range, so its digits count.
        """
        fitting = [one for one in self.ranges if abs(value) <= one[0] * (1 + NEAR)] or [self.ranges[-1]]
        return next((one for one in fitting if one[1] >= step * (1 - NEAR)), fitting[-1])

    def finest(self, value: float) -> float:
        """The finest resolution (SI) with which the meter can show `value`."""
        return self.shown_on(value)[1]


def scale_of(function: MeterFunction) -> Scale:
    """The function's accuracy table."""
    return Scale(function.percent, function.digits, function.anew, function.display())


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty, both SI.

    low, high: the interval that holds the true value with about 95 %, widened
    to the ends of a spoken range. over_limit: the display could not show it
    (value is inf). step: the resolution spoken. scale: the accuracy table, None
    where only `u` is known. least, most: the ends of a display that moved, None where it stood still.
    """

    value: float
    u: float
    low: float
    high: float
    quantity: str
    over_limit: bool = False
    step: float = 0.0
    scale: Scale | None = None
    least: float | None = None
    most: float | None = None

    @property
    def true(self) -> Distribution:
        """What the true value may be. Raises CalculationError for a display over its limit."""
        return combined((1.0, self))

    @property
    def counts_moved(self) -> float:
        """By how many counts of its range the display moved; 0 when it stood still or the range is not known."""
        if self.least is None or self.most is None or self.scale is None:
            return 0.0
        return (self.most - self.least) / self.scale.shown_on(max(abs(self.least), abs(self.most)), self.step)[1]

    @property
    def jumps(self) -> bool:
        """Whether the display moved by more than its own flicker."""
        return self.counts_moved > figure("jump_counts") * (1 + NEAR)

    @property
    def ends(self) -> tuple[Measured, Measured]:
        """The least and the greatest value of a display that moved, each as a reading of its own."""
        if self.least is None or self.most is None or self.scale is None:
            return self, self
        least, most = (_stood(one, self.quantity, self.scale, self.step) for one in (self.least, self.most))
        return least, most

    def finer(self, shift: float = 0.0) -> Measured | None:
        """This reading as it may be when spoken to the display's last digit; None when it was.

        shift: where in the spoken step the display stands, -0.5 to 0.5.
        """
        if self.scale is None or self.over_limit or self.least is not None:
            return None
        finest = self.scale.finest(self.value)
        if self.step <= finest * (1 + 1e-6):
            return None
        return _stood(self.value + shift * self.step, self.quantity, self.scale, finest)


@dataclass(frozen=True)
class Verdict:
    """One judgement: what, why, by which limits.

    check: the calculation, such as "phasing". outcome: pass, fail or close.
    finding: a key for the reasons, such as "out_of_phase"; "" on pass.
    value, low, high: the judged number and its interval (SI, `unit` for speech).
    limits: name and Limit of each limit it was held against.
    line: id of the spoken line; numbers: what the line may say.
    more_digits: it is close only because the last digit of the display was not spoken; ask for it.
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
    more_digits: bool = False


def measured(reading: Reading, meter: Meter) -> Measured:
    """The reading with the meter's error. Raises FlowError when the meter lacks the function."""
    function = meter.function(reading.quantity)
    scale = scale_of(function)
    if reading.over_limit:
        return Measured(math.inf, 0.0, scale.ranges[-1][0], math.inf, reading.quantity, True, scale=scale)
    if reading.low == reading.high:
        return _stood(reading.value, reading.quantity, scale, reading.step)
    still = _stood(reading.value, reading.quantity, scale, reading.step)
    moved = replace(still, least=reading.low, most=reading.high)
    true = moved.true
    low, high = true.interval(figure("coverage"))
    return replace(moved, u=true.std, low=min(low, reading.low), high=max(high, reading.high))


def measured_value(value: float, quantity: str, meter: Meter, step: float = 0.0) -> Measured:
    """A displayed value (SI; inf for over limit) with the meter's error. step: as spoken, 0 for every digit shown."""
    over = math.isinf(value)
    return measured(Reading(value, value, value, step, quantity, "", False, over, "", ""), meter)


def combined(*terms: tuple[float, Measured], wander: float = 0.0) -> Distribution:
    """The distribution of a sum of readings, each times its factor.

    What is common to readings of one function and range (the percentage, and
    the digits that do not come anew) is one error and is added up with its
    signs: in a difference it cancels (JCGM 100:2008, 5.2 and F.1.2.3). The rest
    is independent. wander: half-width of what the judged thing itself may have
    moved between the readings (SI). Raises CalculationError for a display over its limit.
    """
    groups: dict[object, list[tuple[float, Measured]]] = {}
    bounds, sigma = [wander], 0.0
    for place, (factor, one) in enumerate(terms):
        if one.scale is None or one.over_limit:
            sigma = math.hypot(sigma, factor * one.u)
            continue
        top, resolution = one.scale.shown_on(one.value, one.step)
        groups.setdefault((one.quantity, top, one.scale) if len(terms) > 1 else place, []).append((factor, one))
        bounds.append(abs(factor) * max(one.step, resolution) / 2)
        if one.least is not None and one.most is not None:
            bounds.append(abs(factor) * (one.most - one.least) / 2)
    for group in groups.values():
        bounds += _meter_bounds(group)
    value = sum(factor * one.value for factor, one in terms)
    return Distribution(value, sigma, tuple(one for one in bounds if one > 0))


def _meter_bounds(group: Sequence[tuple[float, Measured]]) -> list[float]:
    """Half-widths of the meter's errors in a sum of readings of one range; of a single reading its accuracy figure."""
    scale = group[0][1].scale
    assert scale is not None  # readings without one are not grouped
    resolution = scale.shown_on(group[0][1].value, group[0][1].step)[1]
    gain = abs(sum(factor * one.value for factor, one in group)) * scale.percent / 100
    own = gain + abs(sum(factor for factor, _ in group)) * (scale.digits - scale.repeat) * resolution
    anew = [abs(factor) * scale.repeat * resolution for factor, _ in group]
    # One reading: the accuracy figure bounds its error as a whole, and so it is one rectangle.
    return [own + anew[0]] if len(group) == 1 else [own, *anew]


def fixed_offset(one: Measured) -> float:
    """Half-width (SI) of this meter's own offset on the range of that reading; 0 where no table is known."""
    if one.scale is None or one.over_limit:
        return 0.0
    return (one.scale.digits - one.scale.repeat) * one.scale.shown_on(one.value, one.step)[1]


def _stood(value: float, quantity: str, scale: Scale, step: float) -> Measured:
    """A display that stood still at `value`."""
    bare = Measured(value, 0.0, value, value, quantity, step=step, scale=scale)
    true = bare.true
    low, high = true.interval(figure("coverage"))
    return replace(bare, u=true.std, low=low, high=high)
