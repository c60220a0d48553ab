"""What is known of every fault before the first reading, and its prior."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from flows.errors import FlowError
from flows.faults import catalog
from flows.faults.catalog import HEALTHY
from flows.judge.measured import Measured
from flows.judge.profiles import Equipment, Meter
from flows.reason.mixture import Components, Shown, stretch


@dataclass(frozen=True)
class Knowledge:
    """What simulation says every fault looks like on one equipment family with one meter.

    hypotheses: H fault ids, pairs joined by "+"; "healthy" is one of them. prior: (H,), sums to 1.
    """

    equipment: Equipment
    meter: Meter
    hypotheses: tuple[str, ...]
    prior: np.ndarray
    components: Components


def with_prior(knowledge: Knowledge, prior: Mapping[str, float]) -> Knowledge:
    """The same knowledge under another prior. Faults not in `prior` count as impossible. Raises FlowError when
    nothing is left."""
    values = np.array([prior.get(name, 0.0) for name in knowledge.hypotheses], dtype=float)
    if not values.sum() > 0 or (values < 0).any():
        raise FlowError("The prior gives no fault a chance.", "Give at least one known fault a weight above 0.")
    return replace(knowledge, prior=values / values.sum())


def as_shown(probe: str, one: Measured) -> Shown:
    """A reading as evidence: its meter's error and the probe's stray together.

    A current that shows the wrong way round is one with the leads exchanged: a flame passes it one way only.
    """
    value = abs(one.value) if one.quantity == "dc_amps" else one.value
    return Shown(math.inf if one.over_limit else value, math.hypot(one.u, catalog.probes()[probe].stray))


def chance_if_healthy(knowledge: Knowledge, probe: str, shown: Shown) -> float:
    """The chance that a healthy furnace reads at least as far from its middle as `shown` (two-sided)."""
    parts = knowledge.components
    rows = np.flatnonzero(parts.hypothesis == knowledge.hypotheses.index(HEALTHY))
    k = parts.probes.index(probe)
    if not np.isfinite(shown.value):
        return float(parts.share[rows] @ parts.over[rows, k])
    u = shown.u / np.hypot(shown.value, parts.scale[k])
    gap = np.abs(float(stretch(shown.value, parts.scale[k])) - parts.mean[rows, k])
    return float(parts.share[rows] @ (2 * ndtr(-gap / np.sqrt(parts.cov[rows, k, k] + u * u + parts.floor[k] ** 2))))
