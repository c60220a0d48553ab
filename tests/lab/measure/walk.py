"""The walk of a procedure in every order of its checks, as the fault reasoning may ask for them, or at another level
of telling. Takes long.

python -m tests.lab.measure.walk flame_sensing
python -m tests.lab.measure.walk flame_sensing --in-order --talk usual
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.talk.levels import ORDER
from flows.walk.safety import walk


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("procedure", nargs="?", default="flame_sensing")
    parser.add_argument("--in-order", action="store_true", help="only in the file's order, as the tests walk it")
    parser.add_argument("--talk", choices=ORDER, default="learner", help="how much is told")
    chosen = parser.parse_args()
    plan = replace(load_plan(chosen.procedure, equipment("larkspur"), meter("dunlin")), level=chosen.talk)
    began = time.process_time()
    seen = walk(plan, orders=not chosen.in_order)
    print(
        f"{chosen.procedure}: {seen.states:,} states, {seen.moves:,} answers, {len(seen.breaches)} breaches,"
        f" {time.process_time() - began:.0f} s of processor time"
    )
    for breach in seen.breaches[:20]:
        print(f"  {breach.state}, {breach.answer}: {breach.rule}")
    print(f"  never reached: {', '.join(seen.steps_never) or 'none'}; stuck: {len(seen.stuck)}")
    for state in seen.stuck[:5]:
        print(f"  stuck: {state}")


if __name__ == "__main__":
    main()
