"""Turn readings into verdicts. Every calculation carries the meter's own error.

A calculation takes the readings by role, the limits by role and answers with
a `Verdict`. Its interval is the coverage interval of the judged number; a
verdict is "close" when that interval straddles a limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from uncertainties import UFloat, ufloat

from flows.errors import CalculationError
from flows.measure import COVERAGE, Measured, Outcome, Verdict
from flows.profiles import Limit

Roles = Mapping[str, Measured]
Limits = Mapping[str, Limit]
Judging = Callable[[str, Roles, Limits, "Facts"], Verdict]


@dataclass(frozen=True)
class Facts:
    """What a calculation may need besides readings. turns_ratio: primary over secondary volts, unloaded."""

    turns_ratio: float = 5.0


@dataclass(frozen=True)
class Calculation:
    """A named calculation: the probes and limits it needs by role, the findings it can give, its judged unit.

    optional: limits that it uses when given. reading: the role that the step's own reading fills.
    """

    run: Callable[[Roles, Limits, Facts], Verdict]
    reading: str
    roles: tuple[str, ...]
    limits: tuple[str, ...]
    findings: tuple[str, ...]
    numbers: tuple[str, ...]
    optional: tuple[str, ...] = ()
    why: str = field(default="")


def judge(check: str, roles: Roles, limits: Limits, facts: Facts) -> Verdict:
    """The verdict of calculation `check`. Raises CalculationError when a role or limit is missing."""
    calculation = CALCULATIONS[check]
    for role in calculation.roles:
        if role not in roles:
            raise CalculationError(f"'{check}' needs the reading '{role}', which was not taken.", "Take that reading first.")
    for name in calculation.limits:
        if name not in limits:
            raise CalculationError(f"'{check}' needs the limit '{name}'.", f"Name it under 'limits' of the step: {name}: <key of a limit>.")
    return calculation.run(roles, limits, facts)


def against(value: UFloat, low: float = -math.inf, high: float = math.inf) -> tuple[Outcome, float, float]:
    """pass, fail or close for `value` within [low, high], and its interval."""
    reach = COVERAGE * value.std_dev
    bottom, top = value.nominal_value - reach, value.nominal_value + reach
    if bottom >= low and top <= high:
        return "pass", bottom, top
    if top < low or bottom > high:
        return "fail", bottom, top
    return "close", bottom, top


def _verdict(check: str, outcome: Outcome, finding: str, value: float, span: tuple[float, float], unit: str, used: Limits, numbers: Mapping[str, float]) -> Verdict:
    line = finding or outcome
    return Verdict(check, outcome, finding, value, span[0], span[1], unit, tuple(sorted(used.items())), line, tuple(sorted(numbers.items())))


def band(roles: Roles, limits: Limits, _: Facts) -> Verdict:
    """Within low..high. With good_low/good_high a pass outside them is the finding "edge"."""
    got = roles["value"]
    low = limits["low"].value if "low" in limits else -math.inf
    high = limits["high"].value if "high" in limits else math.inf
    if low == -math.inf and high == math.inf:
        raise CalculationError("'band' needs a limit 'low' or 'high'.", "Name one under 'limits' of the step.")
    numbers = {"value": got.value, "low": low, "high": high}
    if got.over_limit:
        return _verdict("band", "pass" if high == math.inf else "fail", "" if high == math.inf else "high", got.value, (got.low, got.high), got.quantity, limits, numbers)
    outcome, bottom, top = against(got.as_ufloat(), low, high)
    bottom, top = min(bottom, got.low), max(top, got.high)
    if outcome != "close" and (bottom < low < top or bottom < high < top):
        outcome = "close"
    finding = ""
    if outcome == "fail":
        finding = "low" if top < low else "high"
    elif outcome == "pass":
        good_low = limits["good_low"].value if "good_low" in limits else low
        good_high = limits["good_high"].value if "good_high" in limits else high
        finding = "" if good_low <= got.value <= good_high else "edge"
    return _verdict("band", outcome, finding, got.value, (bottom, top), got.quantity, limits, numbers)


def polarity(roles: Roles, limits: Limits, _: Facts) -> Verdict:
    """Hot to ground against hot to neutral, and neutral to ground near zero.

    Sound: hot-ground equals hot-neutral within a share, neutral-ground below a
    few volts. Swapped: neutral-ground takes the whole supply. Open ground:
    hot-ground and neutral-ground both float well below the supply.
    """
    supply, hot, neutral = roles["supply"].as_ufloat(), roles["hot_ground"].as_ufloat(), roles["value"].as_ufloat()
    share, loose = limits["share"].value, limits["neutral"].value
    numbers = {"value": neutral.nominal_value, "hot_ground": hot.nominal_value, "supply": supply.nominal_value}
    gap = supply - hot if supply.nominal_value >= hot.nominal_value else hot - supply
    agrees, *_span = against(gap, high=share * supply.nominal_value)
    quiet, low, high = against(neutral, high=loose)
    half = supply.nominal_value / 2
    if agrees == "pass" and quiet == "pass":
        outcome, finding = "pass", ""
    elif neutral.nominal_value > half and hot.nominal_value < half and against(supply - neutral, high=share * supply.nominal_value)[0] != "fail":
        outcome, finding = "fail", "swapped"
    elif agrees == "fail" and hot.nominal_value < (1 - 2 * share) * supply.nominal_value:
        outcome, finding = "fail", "ground_open"
    elif quiet == "fail" or agrees == "fail":
        outcome, finding = "fail", "neutral_loose"
    else:
        outcome, finding = "close", ""
    return _verdict("polarity", outcome, finding, neutral.nominal_value, (low, high), "ac_volts", limits, numbers)


def ratio(roles: Roles, limits: Limits, facts: Facts) -> Verdict:
    """Secondary volts against supply over turns ratio, within a share of the expected."""
    got, supply = roles["value"].as_ufloat(), roles["supply"].as_ufloat()
    expected = supply / facts.turns_ratio
    share = limits["share"].value
    off = (got - expected) / expected.nominal_value
    outcome, low, high = against(off, -share, share)
    finding = "" if outcome != "fail" else "none" if got.nominal_value < 1 else "low" if off.nominal_value < 0 else "high"
    scale = expected.nominal_value
    return _verdict("ratio", outcome, finding, got.nominal_value, (scale * (1 + low), scale * (1 + high)), "ac_volts", limits, {"value": got.nominal_value, "expected": expected.nominal_value})


STEADY = 0.02
"""Share by which two AC readings taken a minute apart may differ on a living supply (common practice)."""


def phase_angle(line: float, secondary: float, across: float) -> float:
    """Angle in degrees between two voltages, from the voltage across their free ends (law of cosines).

    0 is in phase, 180 out of phase. Values that no triangle can have are
    taken at the nearest one that can.
    """
    if line <= 0 or secondary <= 0:
        raise CalculationError("A phase angle needs two voltages above zero.", "Take the supply and the secondary again.")
    cosine = (line**2 + secondary**2 - across**2) / (2 * line * secondary)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def phasing(roles: Roles, limits: Limits, _: Facts) -> Verdict:
    """Line to R against both hypotheses, in phase (supply - secondary) and out of phase (supply + secondary).

    Each is weighed by a normal likelihood whose spread holds all three meter
    errors and the supply's own wandering. Far from both, nothing ties the
    secondary to ground ("no_reference").
    """
    line, secondary, across = roles["supply"].as_ufloat(), roles["secondary"].as_ufloat(), roles["value"].as_ufloat()
    wander = ufloat(0, STEADY * line.nominal_value)
    miss_in, miss_out = across - (line - secondary) + wander, across - (line + secondary) + wander
    score_in = abs(miss_in.nominal_value) / miss_in.std_dev
    score_out = abs(miss_out.nominal_value) / miss_out.std_dev
    odds = math.exp(min(700.0, max(-700.0, (score_out**2 - score_in**2) / 2)))
    share_in = odds / (1 + odds)
    numbers = {
        "value": across.nominal_value,
        "in_phase": (line - secondary).nominal_value,
        "out_of_phase": (line + secondary).nominal_value,
        "angle": phase_angle(line.nominal_value, max(secondary.nominal_value, 1e-9), across.nominal_value),
        "share_in_phase": share_in,
    }
    reach = COVERAGE * math.hypot(across.std_dev, 0)
    span = (across.nominal_value - reach, across.nominal_value + reach)
    if min(score_in, score_out) > 4:
        return _verdict("phasing", "fail", "no_reference", across.nominal_value, span, "ac_volts", limits, numbers)
    if share_in > 0.99:
        return _verdict("phasing", "pass", "", across.nominal_value, span, "ac_volts", limits, numbers)
    if share_in < 0.01:
        return _verdict("phasing", "fail", "out_of_phase", across.nominal_value, span, "ac_volts", limits, numbers)
    return _verdict("phasing", "close", "", across.nominal_value, span, "ac_volts", limits, numbers)


def path(roles: Roles, limits: Limits, _: Facts) -> Verdict:
    """Path resistance with the leads taken off: the difference of two readings of one meter range.

    The resolution part of both readings stays; the errors add in quadrature,
    which for two readings of one meter is on the safe side.
    """
    got, leads = roles["value"], roles["leads"]
    look, bad = limits["look"].value, limits["bad"].value
    if got.over_limit:
        return _verdict("path", "fail", "open", got.value, (got.low, got.high), "ohms", limits, {"value": got.value, "gross": got.value, "leads": leads.value})
    net = got.as_ufloat() - leads.as_ufloat()
    value, reach = net.nominal_value, COVERAGE * net.std_dev
    low, high = min(value - reach, got.low - leads.value), max(value + reach, got.high - leads.value)
    numbers = {"value": max(0.0, value), "gross": got.value, "leads": leads.value, "look": look, "bad": bad}
    if value < -reach:
        return _verdict("path", "close", "below_leads", value, (low, high), "ohms", limits, numbers)
    if high <= look:
        return _verdict("path", "pass", "", value, (low, high), "ohms", limits, numbers)
    if low > bad:
        return _verdict("path", "fail", "high", value, (low, high), "ohms", limits, numbers)
    return _verdict("path", "close", "look" if low > look else "", value, (low, high), "ohms", limits, numbers)


def flame(roles: Roles, limits: Limits, _: Facts) -> Verdict:
    """Average direct current of the flame against the module's minimum; the sign is only the leads' way round."""
    got = roles["value"]
    if got.over_limit:
        return _verdict("flame", "close", "too_much", got.value, (got.low, got.high), "dc_amps", limits, {"value": got.value, "minimum": limits["minimum"].value})
    size = ufloat(abs(got.value), got.u)
    minimum, sound = limits["minimum"].value, limits["sound"].value
    outcome, low, high = against(size, low=minimum)
    if got.low < got.value < got.high:
        ends = sorted((abs(got.low), abs(got.high)))
        low, high = min(low, ends[0]), max(high, ends[1])
        outcome = "pass" if low >= minimum else "fail" if high < minimum else "close"
    finding = ""
    if outcome == "fail":
        finding = "none" if size.nominal_value < 0.1 * minimum else "low"
    elif outcome == "pass" and size.nominal_value < sound:
        finding = "thin"
    return _verdict("flame", outcome, finding, size.nominal_value, (low, high), "dc_amps", limits, {"value": size.nominal_value, "minimum": minimum, "sound": sound})


CALCULATIONS: dict[str, Calculation] = {
    "band": Calculation(band, "value", ("value",), (), ("low", "high", "edge"), ("value", "low", "high"), ("low", "high", "good_low", "good_high")),
    "polarity": Calculation(polarity, "value", ("supply", "hot_ground", "value"), ("share", "neutral"), ("swapped", "ground_open", "neutral_loose"), ("value", "hot_ground", "supply")),
    "ratio": Calculation(ratio, "value", ("supply", "value"), ("share",), ("none", "low", "high"), ("value", "expected")),
    "phasing": Calculation(phasing, "value", ("supply", "secondary", "value"), (), ("out_of_phase", "no_reference"), ("value", "in_phase", "out_of_phase", "angle", "share_in_phase")),
    "path": Calculation(path, "value", ("leads", "value"), ("look", "bad"), ("open", "high", "look", "below_leads"), ("value", "gross", "leads", "look", "bad")),
    "flame": Calculation(flame, "value", ("value",), ("minimum", "sound"), ("none", "low", "thin", "too_much"), ("value", "minimum", "sound")),
}
