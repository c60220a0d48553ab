"""How often a good furnace gets "too close to call", by check and meter. Run: python -m tests.lab.measure.verdicts [furnaces]

Good furnaces are drawn around each family that ships (flows/circuit), each is read by a meter of its own drawn
within its accuracy table, the supply wanders between the readings, and every digit that the display shows is
spoken. Each step of the flame-sensing procedure judges them as in a visit.
"""

from __future__ import annotations

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
from flows.procedure.compile import Plan, load_plan
from grammar.answers import Reading

AIM = 0.03
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


def spoken(visit: Visit, probe: str, quantity: str) -> Measured:
    """The display of one probe, spoken to its last digit."""
    value = visit.true[probe]
    if quantity == "ac_volts":
        value *= 1 + visit.rng.uniform(-WANDER, WANDER)
    shown = display(value, quantity, visit.meter, visit.rng)
    over = math.isinf(shown)
    function = visit.meter.meter.function(quantity)
    step = function.range_for(0.0 if over else shown).resolution
    return measured(Reading(shown, shown, shown, step, quantity, "", False, over, "", ""), visit.meter.meter)


def tally(plan: Plan, visit: Visit, count: Counter[tuple[str, str]]) -> None:
    """Judge one visit from the first step to the last, and count the outcomes by step."""
    taken: dict[str, Measured] = {}
    for name, step in plan.procedure.steps.items():
        if step.ask is None or step.ask.probe not in visit.true:
            continue
        taken[step.ask.probe] = spoken(visit, step.ask.probe, step.ask.quantity)
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


def main() -> int:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    families, worst = names("equipment"), 0.0
    print(f"{n:,} good furnaces, {', '.join(families)} in turn; aim: under {AIM:.0%} of verdicts too close to call")
    for which in names("meters"):
        count: Counter[tuple[str, str]] = Counter()
        for place, family in enumerate(families):
            plan = load_plan("flame_sensing", equipment(family), meter(which))
            plan = replace(plan, assess=None)
            share = n // len(families) + (place < n % len(families))
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
    return 0 if worst < AIM else 1


if __name__ == "__main__":
    sys.exit(main())
