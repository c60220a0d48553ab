"""How likely the meter is to show a value here, before anything is heard."""

from __future__ import annotations

import math

from assistant.hearing.weigh.settings import HearingSettings
from grammar.answers import Reading
from grammar.scope import Asked, Scope


def prior(reading: Reading, scope: Scope, settings: HearingSettings) -> float:
    """The chance (0 to 1) that this reading would be spoken in this scope.

    The chance that the display rounds to the spoken value, under the scope's
    expected values (normal, each with its weight) or, for the share
    `anything`, evenly on a logarithmic scale over the range; times the chance
    that somebody speaks to that many decimals; less where it was read back
    here and refused. 0 without an asked quantity.
    """
    asked = scope.asked
    if asked is None:
        return 0.0
    if reading.over_limit or reading.low != reading.high:
        return settings.moving
    half = reading.step / 2
    low, high = reading.value - half, reading.value + half
    total = sum(one.weight for one in scope.expected)
    known = (
        sum(one.weight * _normal(low, high, one.value, one.spread) for one in scope.expected) / total if total else 0.0
    )
    share = settings.anything if total else 1.0
    shown = (1 - share) * known + share * _anywhere(low, high, asked)
    refused = sum(abs(reading.value - one) <= half for one in scope.refused)
    return max(shown * _said(reading, asked, settings) * settings.refused**refused, 1e-12)


def _said(reading: Reading, asked: Asked, settings: HearingSettings) -> float:
    """The chance that somebody who sees the display speaks to that many decimals."""
    if said_partly(reading, asked):
        return settings.said_partly
    if reading.step > display_step(reading, asked) * 1.5:
        return settings.said_whole
    return 1 - settings.said_whole - settings.said_partly


def said_partly(reading: Reading, asked: Asked) -> bool:
    """Whether some of the display's decimals were said, not all and not none; a range and "over limit" never count."""
    exact = not reading.over_limit and reading.low == reading.high
    return exact and "." in reading.digits and reading.step > display_step(reading, asked) * 1.5


def display_step(reading: Reading, asked: Asked) -> float:
    """The step (SI) in which the display shows a value of this size, in the unit of the reading's digits."""
    decimals = len(reading.digits.partition(".")[2])
    allowed = reading.step * 10.0 ** (decimals - asked.decimals)
    return max(allowed, next((step for top, step in asked.ranges if abs(reading.value) <= top), 0.0))


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
