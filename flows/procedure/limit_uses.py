"""The limits of one procedure on one family against what a limit may be; every problem with its place in the file."""

from __future__ import annotations

from typing import Any

from flows.judge.bounds import Proof, limit_problems
from flows.judge.profiles import Equipment
from flows.judge.verdict import CALCULATIONS, use_of
from flows.procedure.schema import Procedure, Step

Found = tuple[tuple[Any, ...], str, str]


def proof_of(procedure: Procedure, step: Step) -> Proof:
    """What a step proves: the first and the last of the dead proof show the meter live, those between the part dead."""
    if step.proves is None:
        return ""
    order = procedure.dead_proof
    return "live" if order and step.proves in (order[0], order[-1]) else "dead"


def limit_faults(procedure: Procedure, equipment: Equipment) -> list[Found]:
    """(place in the procedure's file, what is wrong, remedy) of every limit out of bounds.

    A limit of the procedure is named at its own line, one of the family at the
    step that uses it; what is wrong with the family alone is found when that is loaded.
    """
    limits = {**equipment.limits, **procedure.limits}
    found: list[Found] = [
        (_place(procedure, "", {}, key), what, remedy)
        for key, what, remedy in limit_problems(limits, (), equipment.supply)
        if key in procedure.limits
    ]
    for name, step in procedure.steps.items():
        if step.judge is None or step.ask is None or step.judge.check not in CALCULATIONS:
            continue
        use = use_of(step.judge.check, step.ask.quantity, step.judge.limits, proof_of(procedure, step))
        known = {key: limits[key] for key in use.limits.values() if key in limits}
        found += [
            (_place(procedure, name, step.judge.limits, key), what, remedy)
            for key, what, remedy in limit_problems(known, (use,), equipment.supply)
        ]
    return list(dict.fromkeys(found))


def _place(procedure: Procedure, step: str, roles: dict[str, str], key: str) -> tuple[Any, ...]:
    if key in procedure.limits:
        return ("limits", key, "value")
    role = next((role for role, one in roles.items() if one == key), None)
    return ("steps", step, "judge", "limits", role) if role else ("steps", step, "judge")
