"""Prior rates of faults, learnt from a shop's own records."""

from __future__ import annotations

from collections.abc import Mapping

from flows.errors import FlowError
from flows.faults import catalog

TRUST = 50.0
"""Visits that the prior counts for: with so many records of its own, a shop's rates weigh as much as ours
(invented)."""


def learn_priors(counts: Mapping[str, int], prior: Mapping[str, float], trust: float = TRUST) -> dict[str, float]:
    """The prior after `counts` proven faults (fault or pair id -> visits).

    The mean of the Dirichlet posterior whose prior has mean `prior` and total
    weight `trust`: (trust·p + n) / (trust + N). A pair may be counted in
    either order. Raises FlowError for an unknown fault or a negative count.
    """
    total = sum(prior.values())
    if not total > 0 or trust <= 0:
        raise FlowError("The prior has no weight.", "Give at least one fault and a trust above 0.")
    weights = {name: trust * p / total for name, p in prior.items()}
    for name, count in counts.items():
        known = catalog.among(name, weights)
        if known is None:
            raise FlowError(
                f"There is no fault called '{name}'.", "Use the fault ids of faults.yaml, a pair joined by '+'."
            )
        if count < 0:
            raise FlowError(f"The count of '{name}' is {count}.", "Counts are 0 or more.")
        weights[known] += count
    whole = sum(weights.values())
    return {name: weight / whole for name, weight in weights.items()}
