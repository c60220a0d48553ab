"""What the true value may be, given what was shown: a sum of even (rectangular) and normal errors.

An accuracy figure bounds an error: nothing lies outside it (JCGM 100:2008,
4.3.7). So its coverage interval ends at the bound, and is not k times a
standard uncertainty, which for a rectangle reaches past its own ends. The sum
of several is worked out by convolution (JCGM 101:2008, propagation of
distributions), not by a normal approximation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from flows.errors import CalculationError

POINTS = 2001
"""Points of the grid on which distributions are summed; the probability is good to about 1e-5."""
TAIL = 8.0
"""Standard deviations of the normal part that the grid covers."""


@dataclass(frozen=True)
class Distribution:
    """The true value about `value` (SI): independent errors, each symmetric about 0, added up.

    sigma: standard deviation of the normal ones together. bounds: half-width of each rectangular one.
    Raises CalculationError where a part is negative or without end.
    """

    value: float
    sigma: float = 0.0
    bounds: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not all(math.isfinite(one) and one >= 0 for one in (self.sigma, *self.bounds)) or not math.isfinite(
            self.value
        ):
            raise CalculationError(
                "A value without end, or with an error without end, cannot be judged.",
                "Look at the dial and take the reading again.",
            )

    @property
    def std(self) -> float:
        """Standard uncertainty: a/√3 for a rectangle of half-width a (JCGM 100:2008, 4.3.7), in quadrature."""
        return math.sqrt(self.sigma**2 + sum(one**2 for one in self.bounds) / 3)

    @property
    def reach(self) -> float:
        """How far from `value` the true value can lie at all; infinite with a normal part."""
        return math.inf if self.sigma else sum(self.bounds)

    def below(self, limit: float) -> float:
        """Probability that the true value is at most `limit`. SI; may be infinite."""
        if math.isinf(limit):
            return 0.0 if limit < 0 else 1.0
        off = limit - self.value
        if not self.std:
            return 1.0 if off >= 0 else 0.0
        if not any(self.bounds):
            return float(ndtr(off / self.sigma))
        scale, sigma, bounds = self._unit()
        points, probability = _summed(sigma, bounds)
        return float(np.interp(off / scale, points, probability, left=0.0, right=1.0))

    def interval(self, coverage: float) -> tuple[float, float]:
        """The interval about `value` that holds the true value with probability `coverage`, never past `reach`."""
        if not self.std:
            return self.value, self.value
        if not any(self.bounds):
            half = float(ndtri((1 + coverage) / 2)) * self.sigma
        else:
            scale, sigma, bounds = self._unit()
            points, probability = _summed(sigma, bounds)
            upper = points.size // 2
            half = scale * float(np.interp((1 + coverage) / 2, probability[upper:], points[upper:]))
        return self.value - half, self.value + half

    def _unit(self) -> tuple[float, float, tuple[float, ...]]:
        """The scale, and the parts in it, widest first: equal shapes share one table."""
        scale = max(self.sigma, *self.bounds)
        parts = sorted((one / scale for one in self.bounds if one > 1e-6 * scale), reverse=True)
        return scale, float(f"{self.sigma / scale:.6g}"), tuple(float(f"{one:.6g}") for one in parts)


@lru_cache(maxsize=8192)
def _summed(sigma: float, bounds: tuple[float, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Grid about 0 and the cumulative probability on it of one normal and the rectangular errors together."""
    end = sum(bounds) + TAIL * sigma
    points = np.linspace(-end, end, POINTS)
    if sigma:
        probability, rest = ndtr(points / sigma), bounds
    else:
        probability, rest = np.clip((points + bounds[0]) / (2 * bounds[0]), 0.0, 1.0), bounds[1:]
    step = points[1] - points[0]
    for half in rest:
        # The mean of the cumulative probability over a window as wide as the rectangle.
        area = np.concatenate(([0.0], np.cumsum((probability[1:] + probability[:-1]) * step / 2)))

        def under(at: NDArray[np.float64], area: NDArray[np.float64] = area) -> NDArray[np.float64]:
            return np.interp(at, points, area) + np.maximum(at - end, 0.0)

        probability = (under(points + half) - under(points - half)) / (2 * half)
    return points, np.clip(probability, 0.0, 1.0)
