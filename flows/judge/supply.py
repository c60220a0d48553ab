"""Verdicts on the supply: its volts, the way round of its wires, the transformer behind it and its phase."""

from __future__ import annotations

import math

from flows.errors import CalculationError
from flows.judge.decision import Outcome
from flows.judge.distribution import Distribution
from flows.judge.measured import Verdict, combined
from flows.judge.parts import Facts, Limits, Roles, against, ends_of, held, is_supplied, no_supply, shown, verdict
from flows.judge.rules import System, figure, systems


def supply(roles: Roles, limits: Limits, facts: Facts) -> Verdict:
    """Supply volts at the furnace against what may stand there, and against other supply systems.

    Outside the limits it is "none", "half" (an open neutral or an induced
    voltage) or "wrong_nominal" (another system, or both leads on hots), else "low" or "high".
    """
    got, nominal = roles["value"], facts.supply.volts
    low, high = limits["low"].value, limits["high"].value
    result = held(got, low, high)
    finding, other = result.side, None
    if result.outcome == "fail" and not result.jumps:
        other = _other_system(got.value, nominal)
        part = got.value / nominal
        if part < figure("no_supply"):
            finding = "none"
        elif other is not None:
            finding = "wrong_nominal"
        elif figure("half_from") <= part <= figure("half_to"):
            finding = "half"
    elif result.outcome == "pass":
        good_low = limits["good_low"].value if "good_low" in limits else low
        good_high = limits["good_high"].value if "good_high" in limits else high
        finding = "" if good_low <= got.value <= good_high else "edge"
    numbers = {
        "value": got.value, "low": low, "high": high, "nominal": nominal,
        "other": other.volts if other else nominal, **ends_of(got),
    }  # fmt: skip
    return verdict("supply", result.outcome, finding, got.value, result.span, "ac_volts", limits, numbers)


def _other_system(volts: float, nominal: float) -> System | None:
    """The supply system that `volts` fit, if it is another than the one declared, and far enough from it to tell."""
    ratio = figure("other_from")
    far = [one for one in systems() if not 1 / ratio < one.volts / nominal < ratio]
    near = [one for one in far if abs(volts - one.volts) <= figure("other_system") * one.volts]
    return min(near, key=lambda one: abs(volts - one.volts), default=None)


def polarity(roles: Roles, limits: Limits, facts: Facts) -> Verdict:
    """Hot to ground against hot to neutral, and neutral to ground near zero.

    Sound: hot-ground equals hot-neutral within a share, neutral-ground below a
    few volts. Swapped: neutral-ground takes the whole supply. Open neutral:
    the supply reads nothing, hot-ground all of it. Open ground: hot-ground and
    neutral-ground both float well below the supply.
    """
    shown(roles, "supply")
    line, hot, neutral = roles["supply"], roles["hot_ground"], roles["value"]
    share, loose = limits["share"].value, limits["neutral"].value
    numbers = {"value": neutral.value, "hot_ground": hot.value, "supply": line.value}
    if not is_supplied(line, facts):
        half = figure("swapped_from") * facts.supply.volts
        if hot.value < half and neutral.value < half:
            raise no_supply()
        finding = "neutral_open" if hot.value >= half else "swapped"
        span = (neutral.low, neutral.high)
        return verdict("polarity", "fail", finding, neutral.value, span, "ac_volts", limits, numbers)
    if hot.over_limit or neutral.over_limit:
        span = (neutral.low, neutral.high)
        return verdict("polarity", "fail", "neutral_loose", neutral.value, span, "ac_volts", limits, numbers)
    allowed, moved = share * line.value, figure("wander") * line.value
    agrees = against(combined((1.0, line), (-1.0, hot), wander=moved), -allowed, allowed).outcome
    quiet = held(neutral, high=loose)
    takes_all = against(combined((1.0, line), (-1.0, neutral), wander=moved), -allowed, allowed).outcome != "fail"
    half = figure("swapped_from") * line.value
    outcome: Outcome = "close"
    finding = ""
    if agrees == "pass" and quiet.outcome == "pass":
        outcome = "pass"
    elif neutral.value > half > hot.value and takes_all:
        outcome, finding = "fail", "swapped"
    elif agrees == "fail" and hot.value < (1 - figure("open_margin") * share) * line.value:
        outcome, finding = "fail", "ground_open"
    elif quiet.outcome == "fail" or agrees == "fail":
        outcome, finding = "fail", "neutral_loose"
    return verdict("polarity", outcome, finding, neutral.value, quiet.span, "ac_volts", limits, numbers)


def ratio(roles: Roles, limits: Limits, facts: Facts) -> Verdict:
    """Secondary volts against supply over turns ratio, within a share of the expected."""
    got, line = roles["value"], roles["supply"]
    shown(roles, "supply")
    if not is_supplied(line, facts):
        raise no_supply()
    expected = line.value / facts.turns_ratio
    numbers = {"value": got.value, "expected": expected}
    if got.over_limit:
        return verdict("ratio", "fail", "high", got.value, (got.low, got.high), "ac_volts", limits, numbers)
    allowed = limits["share"].value * expected
    off = combined((1.0, got), (-1 / facts.turns_ratio, line), wander=figure("wander") * expected)
    result = against(off, -allowed, allowed)
    none = result.outcome == "fail" and got.value < figure("no_secondary")
    span = (expected + result.span[0], expected + result.span[1])
    finding = "none" if none else result.side
    return verdict("ratio", result.outcome, finding, got.value, span, "ac_volts", limits, numbers)


def phase_angle(line: float, secondary: float, across: float) -> float:
    """Angle in degrees between two voltages, from the voltage across their free ends (law of cosines).

    0 is in phase, 180 out of phase. Values that no triangle can have are
    taken at the nearest one that can.
    """
    if line <= 0 or secondary <= 0:
        raise CalculationError(
            "A phase angle needs two voltages above zero.", "Take the supply and the secondary again."
        )
    cosine = (line**2 + secondary**2 - across**2) / (2 * line * secondary)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def phasing(roles: Roles, limits: Limits, facts: Facts) -> Verdict:
    """Line to R against both hypotheses, in phase (supply - secondary) and out of phase (supply + secondary).

    A hypothesis stands when what was read is within what it could show, by all
    three meter errors and the supply's own wandering. One that stands alone
    decides; none means that nothing ties the secondary to ground ("no_reference").
    """
    shown(roles, "supply", "secondary")
    line, secondary, across = roles["supply"], roles["secondary"], roles["value"]
    if not is_supplied(line, facts):
        raise no_supply()
    inside, outside = line.value - secondary.value, line.value + secondary.value
    numbers = {
        "value": across.value,
        "in_phase": inside,
        "out_of_phase": outside,
        "angle": 180.0,
        "share_in_phase": 0.0,
    }
    if across.over_limit:
        span = (across.low, across.high)
        return verdict("phasing", "fail", "no_reference", across.value, span, "ac_volts", limits, numbers)
    # Three readings, each at its own moment: supply and secondary may both have moved since.
    moved = figure("wander") * outside
    miss_in = combined((1.0, across), (-1.0, line), (1.0, secondary), wander=moved)
    miss_out = combined((1.0, across), (-1.0, line), (-1.0, secondary), wander=moved)
    if secondary.value > 0:
        numbers["angle"] = phase_angle(line.value, secondary.value, across.value)
    numbers["share_in_phase"] = _share(miss_in, miss_out)
    fits_in, fits_out = _stands(miss_in), _stands(miss_out)
    answers: dict[tuple[bool, bool], tuple[Outcome, str]] = {
        (True, False): ("pass", ""),
        (False, True): ("fail", "out_of_phase"),
        (False, False): ("fail", "no_reference"),
        (True, True): ("close", ""),
    }
    outcome, finding = answers[fits_in, fits_out]
    span = (across.low, across.high)
    return verdict("phasing", outcome, finding, across.value, span, "ac_volts", limits, numbers)


def _stands(miss: Distribution) -> bool:
    """Whether a miss of that size is within what the errors allow."""
    low, high = miss.interval(figure("phase_fit"))
    return low <= 0 <= high


def _share(miss_in: Distribution, miss_out: Distribution) -> float:
    """How the two hypotheses share the likelihood, by normal curves of their standard uncertainties; for the report."""
    scores = [(one.value / one.std) ** 2 / 2 for one in (miss_in, miss_out)]
    return 1 / (1 + math.exp(min(700.0, max(-700.0, scores[0] - scores[1]))))
