"""How likely the meter is to show a value here, before anything is heard."""

from __future__ import annotations

import math

from assistant.hearing.settings import HearingSettings
from grammar.answers import Reading
from grammar.scope import Asked, Scope


def prior(reading: Reading, scope: Scope, settings: HearingSettings) -> float:
    """The chance (0 to 1) that this reading would be spoken in this scope.

    The chance that the display rounds to the spoken value, under the scope's
    expected values (normal, each with its weight) or, for the share
    `anything`, evenly on a logarithmic scale over the range; times the chance
    that somebody speaks to that many decimals. 0 without an asked quantity.
    """
    asked = scope.asked
    if asked is None:
        return 0.0
    if reading.over_limit or reading.low != reading.high:
        return settings.moving
    half = reading.step / 2
    low, high = reading.value - half, reading.value + half
    total = sum(one.weight for one in scope.expected)
    known = sum(one.weight * _normal(low, high, one.value, one.spread) for one in scope.expected) / total if total else 0.0
    share = settings.anything if total else 1.0
    shown = (1 - share) * known + share * _anywhere(low, high, asked)
    finest = asked_step(reading, asked)
    said = settings.said_whole if reading.step > finest * 1.5 else 1 - settings.said_whole
    return max(shown * said, 1e-12)


def asked_step(reading: Reading, asked: Asked) -> float:
    """The finest step (SI) that the display has in the unit of the reading's digits."""
    decimals = len(reading.digits.partition(".")[2])
    return reading.step * 10.0 ** (decimals - asked.decimals)


def _normal(low: float, high: float, mean: float, spread: float) -> float:
    scale = spread * math.sqrt(2)
    return 0.5 * (math.erf((high - mean) / scale) - math.erf((low - mean) / scale))


def _anywhere(low: float, high: float, asked: Asked) -> float:
    """Evenly over asinh(value), which is logarithmic far from zero and straight near it."""
    reach = max(abs(asked.low), abs(asked.high)) or 1.0
    bend = reach / 600.0  # about one count of a 6000-count display in its tenth

    def place(value: float) -> float:
        return math.asinh(value / bend)

    return (place(high) - place(low)) / max(place(asked.high) - place(asked.low), 1e-12)
