"""The meter's error for many readings at once."""

from __future__ import annotations

import numpy as np

from flows.faults import catalog
from flows.judge.profiles import Meter


def meter_error(meter: Meter, probe: str, value: np.ndarray) -> np.ndarray:
    """Standard uncertainty (SI) of `meter` showing `value` (SI, finite) on `probe`.

    The same sum as `u` of flows.judge.measured.measured_value, for arrays, the resolution
    being the finest that is spoken; and the probe's stray.
    """
    function = meter.function(catalog.probes()[probe].quantity)
    tops = np.array([one.top for one in function.ranges])
    steps = np.array([one.resolution for one in function.ranges])
    resolution = steps[np.searchsorted(tops, np.abs(value), side="left").clip(0, len(tops) - 1)]
    bound = np.abs(value) * function.percent / 100 + function.digits * resolution
    return np.asarray(np.sqrt(bound**2 / 3 + resolution**2 / 12 + catalog.probes()[probe].stray ** 2))
