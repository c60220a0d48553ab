"""The decision rule: how sure it is that the true value is within its limits, and what is said of it.

After JCGM 106:2012 (the role of measurement uncertainty in conformity
assessment); clause numbers are from memory. `decide` makes every verdict. It
takes the distribution of the true value as it is: rectangular where an
accuracy figure bounds the error, normal where only a standard uncertainty u
is known, as in the document's own examples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

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
