"""The decision rule: conformance probability, guard bands and the risks of a wrong verdict.

After JCGM 106:2012 (the role of measurement uncertainty in conformity
assessment); clause numbers are from memory. `decide` makes every verdict. It
takes the distribution of the true value as it is: rectangular where an
accuracy figure bounds the error, normal where only a standard uncertainty u
is known, as in the document's own examples.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr, ndtri

from flows.errors import CalculationError
from flows.judge.distribution import Distribution
from flows.judge.rules import figure

Outcome = Literal["pass", "fail", "close"]
ROUNDING = 1e-9
"""Slack of the probabilities, for floating point."""


@dataclass(frozen=True)
class Rule:
    """pass: the true value conforms with at least `accept`; fail: it does not, with at least `reject` (0.5 to 1).

    The guard bands of JCGM 106, 8.3: for a normal distribution accept = 0.977
    is the band w = 2u, accept = 0.5 is simple acceptance (8.2). Raises CalculationError.
    """

    accept: float
    reject: float

    def __post_init__(self) -> None:
        if not (0.5 <= self.accept <= 1 and 0.5 <= self.reject <= 1):
            raise CalculationError(
                "A decision rule of less than even chance calls good and bad at once.", "Give 0.5 to 1 for both."
            )


@dataclass(frozen=True)
class Tolerance:
    """What the true value may be: from low to high, either of them absent (infinite). SI."""

    low: float = -math.inf
    high: float = math.inf

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise CalculationError(
                f"A tolerance from {self.low} to {self.high} holds nothing.", "Put the lower limit first."
            )


def conforms(true: Distribution, tolerance: Tolerance) -> float:
    """Probability that the true value lies within the tolerance (JCGM 106, 7.2 to 7.4), whatever its distribution."""
    return true.below(tolerance.high) - true.below(tolerance.low)


def rule() -> Rule:
    """The rule that ships, in flows/judge/judge.yaml."""
    return Rule(figure("accept"), figure("reject"))


def decide(true: Distribution, tolerance: Tolerance, by: Rule | None = None) -> Outcome:
    """pass, fail or close, by `by` or else by the rule that ships. Every verdict comes from here."""
    by = by or rule()
    sure = conforms(true, tolerance)
    if sure >= by.accept - ROUNDING:
        return "pass"
    return "fail" if 1 - sure >= by.reject - ROUNDING else "close"


def conformance_probability(value: float, u: float, tolerance: Tolerance) -> float:
    """`conforms` for a normal distribution about `value` with standard uncertainty u > 0."""
    _check(u)
    return conforms(Distribution(value, u), tolerance)


def guard_band(u: float, r: float = 1.0, coverage: float = 2.0) -> float:
    """w = r·U, with U = coverage·u (JCGM 106, 8.3.2); r = 1 is the usual choice, r < 0 guards rejection (8.3.3)."""
    _check(u)
    return r * coverage * u


def guard_band_for(probability: float, u: float) -> float:
    """The band at one limit that makes an accepted value conform with at least `probability` (between 0 and 1)."""
    _check(u)
    if not 0 < probability < 1:
        raise CalculationError(f"A probability of {probability} cannot be guarded for.", "Give one between 0 and 1.")
    return float(ndtri(probability)) * u


def acceptance(tolerance: Tolerance, band: float) -> Tolerance:
    """Where a measured value is accepted: each limit drawn in by `band` (out, if negative).

    Raises CalculationError when the bands leave nothing.
    """
    low, high = tolerance.low + band, tolerance.high - band
    if not low < high:
        raise CalculationError(
            "The guard bands leave nothing between the limits.", "Measure with a better meter or take a smaller band."
        )
    return Tolerance(low, high)


def specific_risks(value: float, u: float, tolerance: Tolerance) -> tuple[float, float]:
    """(risk if this value is accepted, risk if it is rejected): JCGM 106, 9.3.2."""
    sure = conformance_probability(value, u, tolerance)
    return 1 - sure, sure


def global_risks(
    mean: float, spread: float, u: float, tolerance: Tolerance, accepted: Tolerance
) -> tuple[float, float]:
    """(consumer's, producer's) risk over a normal population measured with normal error (JCGM 106, 9.5).

    Consumer's: a bad one is accepted. Producer's: a good one is rejected.
    mean, spread: of the true values. Integrated over 12 spreads, exact to about 1e-9.
    """
    _check(u)
    _check(spread)
    edges = sorted(
        {
            mean - 12 * spread,
            mean + 12 * spread,
            *(edge for edge in (tolerance.low, tolerance.high) if abs(edge - mean) < 12 * spread),
        }
    )
    points, weights = np.polynomial.legendre.leggauss(40)
    consumer = producer = 0.0
    for low, high in itertools.pairwise(edges):
        good = tolerance.low <= (low + high) / 2 <= tolerance.high
        # Panels no wider than the narrower of the two bells.
        cuts = np.linspace(low, high, 1 + max(1, math.ceil((high - low) / min(u, spread))))
        half = np.diff(cuts)[:, None] / 2
        true = (cuts[:-1, None] + half) + half * points
        density = np.exp(-(((true - mean) / spread) ** 2) / 2) / (spread * math.sqrt(2 * math.pi))
        passes = ndtr((accepted.high - true) / u) - ndtr((accepted.low - true) / u)
        if good:
            producer += float(np.sum(half * weights * density * (1 - passes)))
        else:
            consumer += float(np.sum(half * weights * density * passes))
    return consumer, producer


def _check(spread: float) -> None:
    if not (spread > 0 and math.isfinite(spread)):
        raise CalculationError(f"An uncertainty of {spread} cannot be used.", "Give a standard uncertainty above zero.")
