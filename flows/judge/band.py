"""Verdicts on one reading: within a band, a path's resistance with the leads taken off, the flame's current."""

from __future__ import annotations

import math
from dataclasses import replace

from flows.errors import CalculationError
from flows.judge.decision import Tolerance, conforms
from flows.judge.distribution import Distribution
from flows.judge.measured import Measured, Verdict, combined, fixed_offset
from flows.judge.parts import Facts, Held, Limits, Roles, against, ends_of, held, shown, verdict
from flows.judge.rules import figure


def band(roles: Roles, limits: Limits, _: Facts) -> Verdict:
    """Within low..high. With good_low/good_high a pass outside them is the finding "edge", by the value shown."""
    got = roles["value"]
    low = limits["low"].value if "low" in limits else -math.inf
    high = limits["high"].value if "high" in limits else math.inf
    if low == -math.inf and high == math.inf:
        raise CalculationError("'band' needs a limit 'low' or 'high'.", "Name one under 'limits' of the step.")
    result = held(got, low, high)
    finding = result.side
    if result.outcome == "pass":
        good_low = limits["good_low"].value if "good_low" in limits else low
        good_high = limits["good_high"].value if "good_high" in limits else high
        finding = "" if got.over_limit or good_low <= got.value <= good_high else "edge"
    numbers = {"value": got.value, "low": low, "high": high, **ends_of(got)}
    return verdict("band", result.outcome, finding, got.value, result.span, got.quantity, limits, numbers)


def path(roles: Roles, limits: Limits, _: Facts) -> Verdict:
    """Path resistance with the leads taken off: the difference of two readings.

    On one range of one meter their common errors cancel; what comes anew with
    each reading and both display steps stay. "jumps": the display moved and did
    not stay good, so a joint is loose.
    """
    got, leads = roles["value"], roles["leads"]
    shown(roles, "leads")
    look, bad = limits["look"].value, limits["bad"].value
    numbers = {"value": got.value, "gross": got.value, "leads": leads.value, "look": look, "bad": bad, **ends_of(got)}
    if got.over_limit:
        return verdict("path", "fail", "open", got.value, (got.low, got.high), "ohms", limits, numbers)
    net = _without_leads(got, leads)
    span = net.interval(figure("coverage"))
    value = got.value - leads.value
    numbers["value"] = max(0.0, value)
    if got.jumps:
        low, high = (_without_leads(end, leads) for end in got.ends)
        span = (low.interval(figure("coverage"))[0], high.interval(figure("coverage"))[1])
        if against(high, high=look).outcome != "pass":
            return verdict("path", "fail", "jumps", value, span, "ohms", limits, numbers)
        net = high
    if conforms(net, Tolerance(low=0.0)) <= 1 - figure("reject"):
        return verdict("path", "close", "below_leads", value, span, "ohms", limits, numbers)
    good, poor = against(net, high=look), against(net, high=bad)
    if good.outcome == "pass":
        return verdict("path", "pass", "", value, span, "ohms", limits, numbers)
    if poor.outcome == "fail":
        return verdict("path", "fail", "high", value, span, "ohms", limits, numbers)
    return verdict("path", "close", "look" if good.outcome == "fail" else "", value, span, "ohms", limits, numbers)


def _without_leads(got: Measured, leads: Measured) -> Distribution:
    """What the path may have. Leads that read 0 hide an offset below zero, which then does not cancel."""
    net = combined((1.0, got), (-1.0, leads))
    hidden = fixed_offset(leads) if leads.value <= 0 else 0.0
    return replace(net, value=net.value + hidden / 2, bounds=(*net.bounds, hidden / 2)) if hidden else net


def flame(roles: Roles, limits: Limits, _: Facts) -> Verdict:
    """Average direct current of the flame against the module's minimum; the sign is only the leads' way round."""
    got = roles["value"]
    minimum, sound = limits["minimum"].value, limits["sound"].value
    if got.over_limit:
        numbers = {"value": got.value, "minimum": minimum, "sound": sound, **ends_of(got)}
        return verdict("flame", "close", "too_much", got.value, (got.low, got.high), "dc_amps", limits, numbers)
    size = _size(got)
    result = held(size, low=minimum)
    finding = ""
    if result.outcome == "fail":
        none = size.value < figure("no_flame") * minimum
        finding = result.side if result.jumps else "none" if none else "low"
    elif result.outcome == "pass" and size.value < sound:
        finding = "thin"
    numbers = {"value": size.value, "minimum": minimum, "sound": sound, **ends_of(size)}
    return verdict("flame", result.outcome, finding, size.value, _from_zero(result), "dc_amps", limits, numbers)


def _size(got: Measured) -> Measured:
    """The reading without its sign; a display that moved through zero moved from 0."""
    if got.least is None or got.most is None:
        return replace(got, value=abs(got.value))
    least, most = sorted((abs(got.least), abs(got.most)))
    least = 0.0 if got.least < 0 < got.most else least
    return replace(got, value=(least + most) / 2, least=least, most=most, low=least, high=most)


def _from_zero(result: Held) -> tuple[float, float]:
    return max(0.0, result.span[0]), max(0.0, result.span[1])
