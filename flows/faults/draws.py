"""Furnaces with faults: healthy ones drawn, then changed as the data say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from flows.circuit.furnace import Furnace
from flows.circuit.nominal import nominal, spread
from flows.faults import catalog
from flows.faults.catalog import Change
from flows.profiles import Equipment, Meter


def healthy(equipment: Equipment, meter: Meter, rng: np.random.Generator, n: int) -> Furnace:
    """n healthy furnaces of the family, measured with `meter`; parameters of shape (n,)."""
    return spread(nominal(equipment, meter), rng, n)


def with_fault(furnace: Furnace, fault: str, severity: np.ndarray, own: np.ndarray) -> Furnace:
    """The furnaces with a single fault.

    severity: (n,) from 0, mild, to 1, grave. own: (n,) the same for the effects
    that have a severity of their own. Raises FlowError for an unknown fault.
    """
    changes: dict[str, Any] = {
        name: moved(getattr(furnace, name), one, own if one.own else severity) for name, one in catalog.fault(fault).circuit.items()
    }
    return replace(furnace, **changes)


def moved(value: np.ndarray | float, change: Change, severity: np.ndarray) -> np.ndarray:
    """`value` (SI) after the change at `severity` (n,): shape (n,)."""
    low, high = change.ends
    amount = low * (high / low) ** severity if change.log else low + (high - low) * severity
    if change.set is not None:
        return amount
    return value * amount if change.times else value + amount
