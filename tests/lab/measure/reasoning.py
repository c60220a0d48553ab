"""How well the reasoner diagnoses furnaces it has not seen, against baselines in the same run.

Run: python -m tests.lab.measure.reasoning --out DIR
     python -m tests.lab.measure.reasoning --world second --part tune --out DIR

"ours" is the circuit model that the reasoner's knowledge is built from; with --other its boards, flames and eyes are
others, and trade effects and slips are added. "second" is the world in tests/outside/second_world, written by
someone who had not read ours: only its sheets and readings are used. Its part "test" is for the last judgement.
--before TREE adds another tree of this project (a git worktree) as a baseline.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from flows.judge import profiles
from flows.judge.profiles import Equipment
from flows.reason.build import build_knowledge
from flows.reason.knowledge import Knowledge
from tests.lab.measure import reasoning_figures, reasoning_table
from tests.lab.measure.reasoning_judge import Judge
from tests.lab.measure.reasoning_tales import tales
from tests.lab.measure.reasoning_world import (
    PROVES,
    RODS,
    Case,
    Outcome,
    draw,
    reasoner,
    reasoner_in_fixed_order,
    rule_of_thumb,
    thresholds,
)
from tests.outside.second_world_mapping import RODS as ROD_TRUTHS

SEED = 7_410_001
KNOWLEDGE_SEED = 20260
Drawn = list[tuple[Equipment, Case]]


def cases_of(chosen: argparse.Namespace) -> Drawn:
    """The furnaces asked for, each with its family."""
    if chosen.world == "second":
        from tests.lab.measure.reasoning_second import draw_second

        return list(draw_second(chosen.part, chosen.seed, chosen.furnaces, not chosen.no_trade))
    family = profiles.equipment(chosen.equipment)
    found = draw(
        family, profiles.meter(chosen.meter), chosen.seed, chosen.furnaces, other=chosen.other, trade=chosen.other
    )
    return [(family, case) for case in found]


def before(tree: Path, drawn: Drawn, meter: str) -> tuple[list[Outcome], list[Outcome]]:
    """The other tree's reasoning on the same cases: adaptive and fixed order."""
    with TemporaryDirectory() as folder:
        job, out = Path(folder) / "job.json", Path(folder) / "out.json"
        families = {one.id: one.model_dump(mode="json") for one, _ in drawn}
        told = [{"family": one.id, "shown": {p: _plain(v) for p, v in case.shown.items()}} for one, case in drawn]
        job.write_text(json.dumps({"meter": meter, "families": families, "cases": told}), encoding="utf-8")
        script = Path(__file__).with_name("reasoning_before.py")
        subprocess.run(
            [sys.executable, str(script), str(job), str(out)],
            check=True,
            env={**os.environ, "PYTHONPATH": str(tree)},
            cwd=tree,
        )
        found = json.loads(out.read_text(encoding="utf-8"))
    return tuple(
        [_outcome(case.truth, one[way]) for one, (_, case) in zip(found, drawn, strict=True)]
        for way in ("adaptive", "fixed")
    )


def _plain(value: float | str) -> float | str | None:
    return value if isinstance(value, str) or math.isfinite(value) else None


def _outcome(truth: str, told: dict) -> Outcome:
    ranked = tuple((name, chance) for name, chance in told["ranked"])
    return Outcome(
        truth,
        ranked,
        told["named"],
        tuple(told["taken"]),
        tuple(told["alike"]),
        tuple((one, one) for one in told["millis"]),
    )


def diagnose(drawn: Drawn, known: dict[str, Knowledge], fixed: int, steps: bool) -> dict[str, Sequence[Outcome]]:
    """Every way of this tree on the cases; `fixed`: how many meet the fixed order."""
    adaptive = {name: reasoner(one) for name, one in known.items()}
    in_order = {name: reasoner_in_fixed_order(one) for name, one in known.items()}
    rods = RODS | ROD_TRUTHS
    found: dict[str, list[Outcome]] = {"adaptive": [], "fixed order": [], "plain thresholds": [], "rod, then board": []}
    for number, (family, case) in enumerate(drawn):
        found["adaptive"].append(adaptive[family.id](case))
        if number < fixed:
            found["fixed order"].append(in_order[family.id](case))
        found["plain thresholds"].append(thresholds(family)(case))
        found["rod, then board"].append(rule_of_thumb(case, rods))
        if steps and number % 100 == 99:
            print(f"{number + 1} of {len(drawn)}", file=sys.stderr, flush=True)
    return found


def main() -> None:
    """Draw, diagnose, and write the table, the pictures and ten cases in words."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--world", choices=("ours", "second"), default="ours")
    parser.add_argument("--part", choices=("tune", "test"), default="tune", help="of the second world's boards")
    parser.add_argument(
        "--other", action="store_true", help="ours: other boards, flames and eyes, trade effects and slips"
    )
    parser.add_argument("--no-trade", action="store_true", help="second: no trade effects")
    parser.add_argument("--furnaces", type=int, default=2_000)
    parser.add_argument(
        "--fixed", type=int, default=2_000, help="of them, how many the reasoner also meets in the fixed order"
    )
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--equipment", default="larkspur")
    parser.add_argument("--meter", default="dunlin")
    parser.add_argument("--before", type=Path, help="another tree of this project, for a baseline")
    parser.add_argument("--earlier", type=int, default=500, help="how many of the furnaces the other tree meets")
    parser.add_argument("--steps", action="store_true", help="say every hundred furnaces")
    parser.add_argument("--out", type=Path, default=Path("tests/lab/measure/results"))
    chosen = parser.parse_args()
    meter = profiles.meter(chosen.meter)
    drawn = cases_of(chosen)
    families = {one.id: one for one, _ in drawn}
    known = {name: build_knowledge(one, meter, np.random.default_rng(KNOWLEDGE_SEED)) for name, one in families.items()}
    outcomes: dict[str, Sequence[Outcome]] = diagnose(drawn, known, chosen.fixed, chosen.steps)
    if chosen.before:
        earlier, earlier_fixed = before(chosen.before.resolve(), drawn[: chosen.earlier], chosen.meter)
        outcomes |= {"before, adaptive": earlier, "before, fixed order": earlier_fixed}
    judge = Judge(chosen.world)
    what = (
        f"second world, boards of its part '{chosen.part}'"
        if chosen.world == "second"
        else "our circuit, other insides and trade effects"
        if chosen.other
        else "our circuit"
    )
    head = (
        f"{len(drawn):,} invented furnaces, {what}, {meter.name}, seed {chosen.seed}; Python"
        f" {platform.python_version()}, numpy {np.__version__}."
    )
    name = f"reasoning-{chosen.world}" + (
        f"-{chosen.part}" if chosen.world == "second" else "-other" if chosen.other else ""
    )
    text = reasoning_table.table(head, outcomes, np.random.default_rng(chosen.seed + 1), judge)
    chosen.out.mkdir(parents=True, exist_ok=True)
    (chosen.out / f"{name}.md").write_text(text, encoding="utf-8")
    (chosen.out / f"{name}-cases.md").write_text(tales(drawn, outcomes["adaptive"], known, judge), encoding="utf-8")
    reasoning_figures.confusion(outcomes["adaptive"], chosen.out / f"{name}-confusion.png", judge)
    reasoning_figures.reliability(
        {key: outcomes[key] for key in ("adaptive", "fixed order")}, chosen.out / f"{name}-reliability.png", judge
    )
    print(text)


__all__ = ["PROVES", "cases_of", "diagnose", "main"]

if __name__ == "__main__":
    main()
