"""The flame between rod and burner: a lossy rectifier. Any one may read it; nothing here knows of the product.

A flame holds free electrons and heavy positive ions. With the rod positive, the burner's large area collects the slow
ions
and the rod the quick electrons: current flows well. The other way round the small rod has to collect the ions:
current is poor (textbook account of flame rectification). Both ways the current bends over towards saturation at high
voltage. The law used:

    i(v) = (K / F) tanh(p(v) / K) - (K / B) tanh(p(-v) / K),    p(v) = sqrt(u^2 + w^2) - w, u = max(v, 0)

F forward ohms, B backward ohms, K knee volts, w the rounding at zero volts: each way sees nothing of the other.
Values are plain engineering judgement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

ROUNDING = 0.5  # volts


@dataclass(frozen=True)
class FlameLaw:
    """forward, backward in ohms; knee in volts."""

    forward: float
    backward: float
    knee: float

    def current(self, volts: np.ndarray) -> np.ndarray:
        """Amperes from rod to burner at `volts` of rod above burner."""
        up, down = self._half(volts)[0], self._half(-volts)[0]
        return self.knee * (np.tanh(up / self.knee) / self.forward - np.tanh(down / self.knee) / self.backward)

    def slope(self, volts: np.ndarray) -> np.ndarray:
        """The derivative of `current`, siemens; never negative."""
        (up, up_slope), (down, down_slope) = self._half(volts), self._half(-volts)
        forward = up_slope / np.cosh(np.minimum(up / self.knee, 50.0)) ** 2 / self.forward
        return forward + down_slope / np.cosh(np.minimum(down / self.knee, 50.0)) ** 2 / self.backward

    @staticmethod
    def _half(volts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        only = np.maximum(volts, 0.0)
        root = np.sqrt(only * only + ROUNDING**2)
        return root - ROUNDING, only / root
