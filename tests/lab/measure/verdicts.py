"""How often a good furnace gets "too close to call", by check and meter. Run: python -m tests.lab.measure.verdicts
[furnaces]

Good furnaces are drawn around each family that ships (flows/circuit), each is read by a meter of its own drawn
within its accuracy table, the supply wanders between the readings, and every digit that the display shows is
spoken. Each step of the flame-sensing procedure judges them as in a visit.

The last table asks what leans on `repeat_digits`, the digits of a meter that may differ between two readings of one
range: 1 and all of them, as the program takes it and as the meter really is. Too close: of all verdicts on good
furnaces.
Bad passed: of paths drawn evenly from nothing to twice the limit that passed, those that are over it.
"""

from __future__ import annotations

import itertools
import math
import sys
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from flows.circuit.probes import read_many, table
from flows.errors import CalculationError
from flows.faults.display import Specimen, display, specimen
from flows.faults.draws import healthy
from flows.judge.measured import Measured, measured
from flows.judge.profiles import Equipment, Meter, equipment, meter, names
from flows.procedure.compile import Plan, load_plan, suits
from flows.procedure.schema import load_procedure
from grammar.answers import Reading

AIM = 0.03
FEW = 1_500
"""Furnaces and paths for each line of the last table."""
WANDER = 0.01
"""Each AC reading of a living supply is off by up to 1 %, so that two differ by up to 2 % (common practice)."""
LIVE = ("known_live_before", "known_live_after")


@dataclass(frozen=True)
class Visit:
    """One furnace's true readings by probe (SI), its meter, and its own chance."""

    true: dict[str, float]
    meter: Specimen
    rng: np.random.Generator


def visits(family: Equipment, which: Meter, n: int, seed: int) -> list[Visit]:
    """n good furnaces of the family, each with a meter of its own."""
    rng = np.random.default_rng(seed)
    keys = [key for key, one in table().items() if one.guided and one.function != "watch"] + ["dead_neutral_ground"]
    found = read_many(healthy(family, which, rng, n), keys)
    found |= dict.fromkeys(LIVE, found["supply_hot_neutral"])
    draws = rng.spawn(n)
    return [
        Visit({key: float(values[i]) for key, values in found.items()}, specimen(which, draws[i]), draws[i])
        for i in range(n)
    ]


def spoken(visit: Visit, probe: str, quantity: str, taken: Meter) -> Measured:
    """The display of one probe, spoken to its last digit."""
    value = visit.true[probe]
    if quantity == "ac_volts":
        value *= 1 + visit.rng.uniform(-WANDER, WANDER)
    shown = display(value, quantity, visit.meter, visit.rng)
    return reading(shown, quantity, taken)


def reading(shown: float, quantity: str, taken: Meter) -> Measured:
    """What the program makes of a display (SI, inf for over limit) of a meter that it takes to be `taken`."""
    over = math.isinf(shown)
    step = taken.function(quantity).range_for(0.0 if over else shown).resolution
    return measured(Reading(shown, shown, shown, step, quantity, "", False, over, "", ""), taken)


def tally(plan: Plan, visit: Visit, count: Counter[tuple[str, str]]) -> None:
    """Judge one visit from the first step to the last, and count the outcomes by step."""
    taken: dict[str, Measured] = {}
    for name, step in plan.procedure.steps.items():
        if step.ask is None or step.ask.probe not in visit.true:
            continue
        taken[step.ask.probe] = spoken(visit, step.ask.probe, step.ask.quantity, plan.meter)
        if step.judge is None:
            continue
        roles = {role: taken[probe] for role, probe in step.judge.probes.items() if probe in taken}
        limits = {role: plan.limits[key] for role, key in step.judge.limits.items()}
        try:
            verdict = plan.judge(step.judge.check, {**roles, "value": taken[step.ask.probe]}, limits, plan.facts)
            count[name, verdict.outcome] += 1
            if verdict.outcome != "pass":
                count[name, f"{verdict.outcome}/{verdict.finding}"] += 1
        except CalculationError:
            count[name, "no verdict"] += 1


def repeating(which: Meter, digits: int | None) -> Meter:
    """The meter with so many digits that come anew with every reading; None for all of them."""
    changed = {
        name: one.model_copy(update={"repeat_digits": one.digits if digits is None else digits})
        for name, one in which.functions.items()
    }
    return which.model_copy(update={"functions": changed})


def families() -> list[str]:
    """Those that the flame-sensing procedure is made for."""
    procedure = load_procedure("flame_sensing")
    return [one for one in names("equipment") if suits(procedure, equipment(one))]


def too_close(taken: Meter, real: Meter, n: int) -> float:
    """Share of all verdicts on n good furnaces that are too close. taken: the meter as the program takes it; real: as
    it is."""
    count: Counter[tuple[str, str]] = Counter()
    for place, family in enumerate(families()):
        plan = load_plan("flame_sensing", equipment(family), taken)
        for visit in visits(plan.equipment, real, n // len(families()), 206 + place):
            tally(plan, replace(visit, meter=replace(visit.meter, meter=real)), count)
    whole = sum(times for (_, outcome), times in count.items() if "/" not in outcome)
    return sum(times for (_, outcome), times in count.items() if outcome == "close") / whole


def bad_passed(taken: Meter, real: Meter, n: int) -> tuple[float, float]:
    """Of n paths: the share of those passed that are over the limit, and the share of the good ones that pass."""
    plan = load_plan("flame_sensing", equipment("larkspur"), taken)
    judge = plan.step("ground_path").judge
    assert judge is not None
    limits = {role: plan.limits[key] for role, key in judge.limits.items()}
    look, rng = limits["look"].value, np.random.default_rng(306)
    passed = bad = good = good_passed = 0
    for _ in range(n):
        path, leads, one = rng.uniform(0, 2 * look), rng.uniform(0.05, 0.4), specimen(real, rng)
        shown = [reading(display(value, "ohms", one, rng), "ohms", taken) for value in (leads, leads + path)]
        try:
            verdict = plan.judge(judge.check, {"leads": shown[0], "value": shown[1]}, limits, plan.facts)
        except CalculationError:
            continue
        is_pass, is_bad = verdict.outcome == "pass", path > look
        passed, bad = passed + is_pass, bad + (is_pass and is_bad)
        good, good_passed = good + (not is_bad), good_passed + (is_pass and not is_bad)
    return bad / max(passed, 1), good_passed / max(good, 1)


def leaning(n: int) -> None:
    """Print what leans on repeat_digits."""
    print(f"\n{'meter':8}{'taken as':>10}{'really':>8}{'too close':>11}{'bad passed':>12}{'good paths passed':>19}")
    for which in names("meters"):
        for taken, real in itertools.product((1, 2, None), (1, None)):
            mine, other = repeating(meter(which), taken), repeating(meter(which), real)
            bad, good = bad_passed(mine, other, n)
            print(
                f"{which:8}{taken or 'all':>10}{real or 'all':>8}"
                f"{too_close(mine, other, n):11.2%}{bad:12.2%}{good:19.1%}"
            )


def main() -> int:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    made_for, worst = families(), 0.0
    print(f"{n:,} good furnaces, {', '.join(made_for)} in turn; aim: under {AIM:.0%} of verdicts too close to call")
    for which in names("meters"):
        count: Counter[tuple[str, str]] = Counter()
        for place, family in enumerate(made_for):
            plan = load_plan("flame_sensing", equipment(family), meter(which))
            plan = replace(plan, assess=None)
            share = n // len(made_for) + (place < n % len(made_for))
            for visit in visits(plan.equipment, plan.meter, share, 106 + place):
                tally(plan, visit, count)
        steps = list(dict.fromkeys(name for name, _ in count))
        total = sum(count[name, outcome] for name in steps for outcome in ("pass", "close", "fail", "no verdict"))
        print(
            f"\n{meter(which).name} ({which})\n"
            f"{'check':22}{'verdicts':>10}{'pass':>9}{'close':>9}{'fail':>9}   findings"
        )
        for name in steps:
            own = sum(count[name, outcome] for outcome in ("pass", "close", "fail", "no verdict"))
            parts = [f"{count[name, outcome] / own:9.2%}" for outcome in ("pass", "close", "fail")]
            told = {key: times for (step, key), times in count.items() if step == name and "/" in key}
            print(f"{name:22}{own:10,}{''.join(parts)}   {' '.join(f'{key}={times}' for key, times in told.items())}")
        close = sum(count[name, "close"] for name in steps) / total
        fail = sum(count[name, "fail"] + count[name, "no verdict"] for name in steps) / total
        worst = max(worst, close)
        print(
            f"{'all':22}{total:10,}{1 - close - fail:9.2%}{close:9.2%}{fail:9.2%}   "
            f"{'met' if close < AIM else 'NOT MET'}"
        )
    leaning(min(n, FEW))
    return 0 if worst < AIM else 1


if __name__ == "__main__":
    sys.exit(main())
