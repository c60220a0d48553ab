"""Where a judged number stands against its limits: the scale that a bar draws."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from assistant.report.numbers import number, shown

Kind = Literal["good", "look", "bad"]
INF = math.inf


@dataclass(frozen=True)
class Zone:
    """From low to high (SI; may be infinite) a value is good, needs a look, or is bad."""

    low: float
    high: float
    kind: Kind


@dataclass(frozen=True)
class Scale:
    """A judged number with its interval, zones and marked values (SI). marks: value and what it is."""

    quantity: str
    value: float
    low: float
    high: float
    zones: tuple[Zone, ...]
    marks: tuple[tuple[float, str], ...]

    def ends(self) -> tuple[float, float]:
        """Both ends of the drawn axis: all that is finite, with some room."""
        parts = [
            self.value,
            self.low,
            self.high,
            *(mark for mark, _ in self.marks),
            *(end for zone in self.zones for end in (zone.low, zone.high)),
        ]
        finite = [part for part in parts if math.isfinite(part)] or [0.0, 1.0]
        low, high = min(finite), max(finite)
        room = (high - low) * 0.12 or abs(high) * 0.1 or 1.0
        return (low - room if low < 0 or low > room else 0.0), high + room


def scale_of(verdict: dict[str, Any], quantity: str) -> Scale:
    """The scale of a journal's verdict. A calculation that is not known gets its limits as marks and no zones."""
    limits = {
        str(one.get("name")): number(one.get("value")) for one in verdict.get("limits") or [] if isinstance(one, dict)
    }
    numbers = {str(key): number(value) for key, value in (verdict.get("numbers") or {}).items()}
    value, low, high = (number(verdict.get(key)) for key in ("value", "low", "high"))
    zones, marks = _DRAWN.get(str(verdict.get("check")), _plain)(limits, numbers)
    return Scale(
        quantity,
        value,
        low if not math.isnan(low) else value,
        high if not math.isnan(high) else value,
        tuple(zone for zone in zones if zone.low < zone.high),
        marks,
    )


Drawn = tuple[tuple[Zone, ...], tuple[tuple[float, str], ...]]


def _band(limits: dict[str, float], _: dict[str, float]) -> Drawn:
    low, high = limits.get("low", -INF), limits.get("high", INF)
    good_low, good_high = limits.get("good_low", low), limits.get("good_high", high)
    zones = (
        Zone(-INF, low, "bad"),
        Zone(low, good_low, "look"),
        Zone(good_low, good_high, "good"),
        Zone(good_high, high, "look"),
        Zone(high, INF, "bad"),
    )
    return zones, tuple(
        (limits[name], f"{word} {{}}") for name, word in (("low", "at least"), ("high", "at most")) if name in limits
    )


def _polarity(limits: dict[str, float], _: dict[str, float]) -> Drawn:
    top = limits.get("neutral", INF)
    return (Zone(-INF, top, "good"), Zone(top, INF, "bad")), ((top, "at most {}"),) if "neutral" in limits else ()


def _ratio(limits: dict[str, float], numbers: dict[str, float]) -> Drawn:
    expected, share = numbers.get("expected", math.nan), limits.get("share", math.nan)
    if math.isnan(expected) or math.isnan(share):
        return (), ()
    low, high = expected * (1 - share), expected * (1 + share)
    return (Zone(-INF, low, "bad"), Zone(low, high, "good"), Zone(high, INF, "bad")), (
        (low, "at least {}"),
        (high, "at most {}"),
    )


def _phasing(_: dict[str, float], numbers: dict[str, float]) -> Drawn:
    marks = tuple(
        (numbers[name], f"{words} {{}}")
        for name, words in (("in_phase", "in phase"), ("out_of_phase", "out of phase"))
        if name in numbers
    )
    if len(marks) < 2:
        return (), marks
    middle, reach = (marks[0][0] + marks[1][0]) / 2, abs(marks[1][0] - marks[0][0]) / 4
    return (
        Zone(marks[0][0] - reach, marks[0][0] + reach, "good"),
        Zone(middle + reach, marks[1][0] + reach, "bad"),
    ), marks


def _path(limits: dict[str, float], _: dict[str, float]) -> Drawn:
    look, bad = limits.get("look", INF), limits.get("bad", INF)
    return (Zone(-INF, look, "good"), Zone(look, bad, "look"), Zone(bad, INF, "bad")), tuple(
        (limits[name], f"{words} {{}}") for name, words in (("look", "good to"), ("bad", "bad from")) if name in limits
    )


def _flame(limits: dict[str, float], _: dict[str, float]) -> Drawn:
    least, sound = limits.get("minimum", -INF), limits.get("sound", limits.get("minimum", -INF))
    return (Zone(-INF, least, "bad"), Zone(least, sound, "look"), Zone(sound, INF, "good")), tuple(
        (limits[name], f"{words} {{}}")
        for name, words in (("minimum", "at least"), ("sound", "sound from"))
        if name in limits
    )


def _plain(limits: dict[str, float], _: dict[str, float]) -> Drawn:
    return (), tuple(
        (value, f"{name.replace('_', ' ')} {{}}") for name, value in limits.items() if math.isfinite(value)
    )


_DRAWN = {
    "band": _band,
    "supply": _band,
    "polarity": _polarity,
    "ratio": _ratio,
    "phasing": _phasing,
    "path": _path,
    "flame": _flame,
}


def mark_text(mark: tuple[float, str], quantity: str) -> str:
    """The mark's words with its value in them: "at least 110.0 V"."""
    # A limit's name comes from a journal: never let it act as a format.
    before, _, after = mark[1].rpartition("{}")
    return f"{before}{shown(mark[0], quantity)}{after}"
