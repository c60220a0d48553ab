"""The reasoning of another tree of this project on the same cases, as a baseline.

Run by the bench with PYTHONPATH set to that tree: python reasoning_before.py CASES OUT (JSON both).
Only what the older `assess` knew is given to it: numbers, and yes or no for the flame.
"""

from __future__ import annotations

import json
import math
import sys
import time
from pathlib import Path

import numpy as np

from flows.faults import catalog
from flows.faults.display import as_measured
from flows.judge.profiles import Equipment, meter
from flows.reason.assess import assess
from flows.reason.build import build_knowledge

PROVES = "board_proves_flame"
MOST = 24


def main(cases: str, out: str) -> None:
    """Diagnose every case, in the adaptive and in the fixed order."""
    job = json.loads(Path(cases).read_text(encoding="utf-8"))
    shown_by = meter(job["meter"])
    known = {
        name: build_knowledge(Equipment.model_validate(one), shown_by, np.random.default_rng(20260))
        for name, one in job["families"].items()
    }
    order = sorted(
        (name for name, one in catalog.probes().items() if one.order is not None),
        key=lambda name: catalog.probes()[name].order,
    )
    found = []
    for case in job["cases"]:
        knowledge = known[case["family"]]
        found.append(
            {"adaptive": diagnose(case["shown"], knowledge, None), "fixed": diagnose(case["shown"], knowledge, order)}
        )
    Path(out).write_text(json.dumps(found), encoding="utf-8")


def diagnose(shown: dict, knowledge: object, order: list[str] | None) -> dict:
    """One case: its first three, what was named, the probes taken, and the processor's milliseconds."""
    taken: dict = {}
    millis = []
    can = {name for name in catalog.probes() if name in shown}
    said = assess({}, knowledge, can)
    while len(taken) < MOST:
        probe = said.next_probe if order is None else next((name for name in order if name not in taken), None)
        if probe is None or (order is not None and said.named):
            break
        taken[probe] = evidence(probe, shown[probe], knowledge)
        began = time.process_time()
        said = assess(taken, knowledge, can)
        millis.append(1e3 * (time.process_time() - began))
    return {
        "ranked": said.ranked[:3],
        "named": said.named,
        "taken": list(taken),
        "alike": said.cannot_tell,
        "millis": millis,
    }


def evidence(probe: str, value: float | str, knowledge: object) -> object:
    """A displayed value (SI, null over limit) or answer as the older tree takes it; no flame is no current and no
    proof."""
    quantity = catalog.probes()[probe].quantity
    if quantity == "yes_no":
        return value == "stays"
    if isinstance(value, str):
        value = 0.0
    if quantity == "dc_amps" and value is not None:
        value = abs(value)
    return as_measured(math.inf if value is None else value, quantity, knowledge.meter)


if __name__ == "__main__":
    main(*sys.argv[1:3])
