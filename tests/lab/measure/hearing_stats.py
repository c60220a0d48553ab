"""Rates with their confidence intervals."""

from __future__ import annotations

import math
from collections.abc import Iterable

Z95 = 1.959964
"""Two-sided 95 % point of the normal distribution."""


def wilson(hits: float, total: int, z: float = Z95) -> tuple[float, float]:
    """The Wilson score interval of a rate (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927). (0, 1) for no cases."""
    if total == 0:
        return 0.0, 1.0
    rate = hits / total
    centre = (rate + z * z / (2 * total)) / (1 + z * z / total)
    half = z * math.sqrt(rate * (1 - rate) / total + z * z / (4 * total * total)) / (1 + z * z / total)
    return max(0.0, centre - half), min(1.0, centre + half)


def percentile(values: Iterable[float], share: float) -> float:
    """The value below which `share` of the values lie; nan for none."""
    ordered = sorted(values)
    if not ordered:
        return math.nan
    return ordered[min(len(ordered) - 1, math.ceil(share * len(ordered)) - 1)]
