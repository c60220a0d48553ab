"""Turn readings into verdicts. Every calculation carries the meter's own error.

A calculation takes the readings by role, the limits by role and answers with
a `Verdict`. The decision rule is flows.judge.decision.decide (JCGM 106:2012): "pass" and
"fail" need the true value inside or outside the limits with the probability
that flows/judge/judge.yaml asks for; "close" is all between. Whatever a meter can
show gives a verdict, or a CalculationError that says in words why none can be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from flows.errors import CalculationError
from flows.judge.band import band, flame, path
from flows.judge.bounds import Proof, Use
from flows.judge.measured import Verdict
from flows.judge.parts import Calculation, Facts, Limits, Roles
from flows.judge.profiles import Equipment
from flows.judge.rules import figure
from flows.judge.supply import phase_angle, phasing, polarity, ratio, supply

__all__ = ["CALCULATIONS", "Calculation", "Facts", "Judging", "facts_of", "judge", "phase_angle", "use_of"]

Judging = Callable[[str, Roles, Limits, Facts], Verdict]

CALCULATIONS: dict[str, Calculation] = {
    "supply": Calculation(
        supply, "value", ("value",), ("low", "high"), ("none", "half", "low", "high", "wrong_nominal", "jumps", "edge"),
        ("value", "low", "high", "nominal", "other", "least", "most"), ("good_low", "good_high"),
        orders=(("low", "good_low", "good_high", "high"),),
    ),
    "band": Calculation(
        band, "value", ("value",), (), ("low", "high", "jumps", "edge"), ("value", "low", "high", "least", "most"),
        ("low", "high", "good_low", "good_high"), orders=(("low", "good_low", "good_high", "high"),),
    ),
    "polarity": Calculation(
        polarity, "value", ("supply", "hot_ground", "value"), ("share", "neutral"),
        ("swapped", "neutral_open", "ground_open", "neutral_loose"),
        ("value", "hot_ground", "supply"), shares=("share",),
    ),
    "ratio": Calculation(
        ratio, "value", ("supply", "value"), ("share",), ("none", "low", "high"), ("value", "expected"),
        shares=("share",),
    ),
    "phasing": Calculation(
        phasing, "value", ("supply", "secondary", "value"), (), ("out_of_phase", "no_reference"),
        ("value", "in_phase", "out_of_phase", "angle", "share_in_phase"),
    ),
    "path": Calculation(
        path, "value", ("leads", "value"), ("look", "bad"), ("open", "high", "jumps", "look", "below_leads"),
        ("value", "gross", "leads", "look", "bad", "least", "most"), orders=(("look", "bad"),),
    ),
    "flame": Calculation(
        flame, "value", ("value",), ("minimum", "sound"), ("none", "low", "jumps", "thin", "too_much"),
        ("value", "minimum", "sound", "least", "most"), orders=(("minimum", "sound"),),
    ),
}  # fmt: skip


def facts_of(equipment: Equipment) -> Facts:
    """What the calculations need to know of a family."""
    return Facts(turns_ratio=equipment.turns_ratio, supply=equipment.supply)


def use_of(check: str, quantity: str, limits: dict[str, str], proves: Proof = "") -> Use:
    """How a step uses its limits (role -> key), for `bounds.limit_problems`. Raises KeyError for no such check."""
    calculation = CALCULATIONS[check]
    return Use(check, quantity, limits, proves, calculation.shares, calculation.orders)


def judge(check: str, roles: Roles, limits: Limits, facts: Facts) -> Verdict:
    """The verdict of calculation `check`.

    Raises CalculationError when a role or limit is missing, or when the
    readings are such that nothing follows from them.
    """
    calculation = CALCULATIONS[check]
    for role in calculation.roles:
        if role not in roles:
            raise CalculationError(
                f"'{check}' needs the reading '{role}', which was not taken.", "Take that reading first."
            )
    for name in calculation.limits:
        if name not in limits:
            raise CalculationError(
                f"'{check}' needs the limit '{name}'.",
                f"Name it under 'limits' of the step: {name}: <key of a limit>.",
            )
    try:
        found = calculation.run(roles, limits, facts)
    except ZeroDivisionError:
        raise CalculationError(
            f"'{check}' has nothing to divide by: a reading was zero.", "Take its readings again."
        ) from None
    if found.outcome == "close" and _last_digit_settles(calculation, roles, limits, facts):
        return replace(found, more_digits=True)
    return found


def _last_digit_settles(calculation: Calculation, roles: Roles, limits: Limits, facts: Facts) -> bool:
    """Whether the reading was spoken coarser than shown, and its last digit would settle the verdict often enough."""
    finer = [roles[calculation.reading].finer(place / 10 - 0.5) for place in range(11)]
    settled = [
        calculation.run({**roles, calculation.reading: one}, limits, facts).outcome != "close"
        for one in finer
        if one is not None
    ]
    return bool(settled) and sum(settled) >= figure("settles") * len(settled)
